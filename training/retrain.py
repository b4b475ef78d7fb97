"""The command ``triage retrain``: tolerances at once, or with --thorough a whole model; loaded when it runs."""

from pathlib import Path
from typing import Annotated

import typer

from triage.cli.options import StoreOption, format_option, login_name, opened_store
from triage.cli.output import Form, json_text, put


def retrain(
    use: Annotated[
        bool | None, typer.Option("--use/--no-use", help="Put it to use in any case, or not at all")
    ] = None,
    thorough: Annotated[
        bool, typer.Option("--thorough", help="A whole model instead of tolerances; takes minutes")
    ] = False,
    by: Annotated[str | None, typer.Option(metavar="NAME", help="Who retrains; else who is logged in")] = None,
    config_file: Annotated[Path | None, typer.Option("--config", help="Another configs/retraining.toml")] = None,
    form: Annotated[Form, format_option("table", "json")] = Form.table,
    store: StoreOption = None,
) -> None:
    """Learn from the verdicts. How far off each kind of fault may be is learnt in seconds and used from 50 verdicts.

    Example: triage retrain --by anna
    """
    from training import taste_retraining
    from training.selection import RetrainingConfig
    from triage.config import read_toml, shipped

    with opened_store(store) as engine:
        if thorough:
            config = read_toml(config_file or shipped("configs/retraining.toml"), RetrainingConfig)
            card, report = taste_retraining.learn_whole_model(engine, config, by or login_name(), use)
        else:
            card = taste_retraining.learn_taste(engine, by or login_name(), use)
            report = taste_retraining.printed(card)
    put(json_text(card) if form is Form.json else report)
