"""The command ``triage retrain``; the work is done by ``training/retraining.py``, loaded when it runs."""

from pathlib import Path
from typing import Annotated

import typer

from triage.cli.options import StoreOption, format_option, login_name, opened_store
from triage.cli.output import Form, json_text, put


def retrain(
    use: Annotated[
        bool | None, typer.Option("--use/--no-use", help="Put it to use whatever the comparison shows, or not at all")
    ] = None,
    by: Annotated[str | None, typer.Option(metavar="NAME", help="Who retrains; else who is logged in")] = None,
    config_file: Annotated[Path | None, typer.Option("--config", help="Another configs/retraining.toml")] = None,
    form: Annotated[Form, format_option("table", "json")] = Form.table,
    store: StoreOption = None,
) -> None:
    """Train on the verdicts. The new model is compared with the one in use and put to use only if it is better.

    Example: triage retrain --by anna
    """
    from training.retraining import printed, retrained
    from training.selection import RetrainingConfig
    from triage.config import read_toml, shipped

    config = read_toml(config_file or shipped("configs/retraining.toml"), RetrainingConfig)
    with opened_store(store) as engine:
        report = retrained(engine, config, by or login_name(), use)
    if form is Form.json:
        put(json_text(report))
    else:
        put(printed(report))
