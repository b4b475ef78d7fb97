"""How good the queue is: ``python -m training.evaluate --recordings FOLDER`` prints what the README shows.

Sessions are built from instruments that nothing was tuned on (configs/holdout.toml), with noise clips that nothing
was tuned on, taken in by the tool's own code, and ranked before any verdict; then rendered again in another room, and
probed with a few verdicts. Further commands: ``ablation`` and ``noise``. All of it follows from the recipe's seeds.
"""

import json
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer

from training.ablation import GENERAL, VARIANTS, ablated
from training.analysed_sessions import (
    AnalysedSession,
    Elsewhere,
    Networks,
    NetworksConfig,
    SessionSpec,
    analyse_all,
    networks_in,
)
from training.calibrate import CalibrationConfig, labelled_notes, sessions_of
from training.noise_evaluation import noise_main
from training.probe import probe_auroc, probed
from training.ranked_sessions import TOOL, mean_and_error, printed, rank_one, report, table, table_text
from training.scores import auroc
from training.technical_faults import MISHAPS
from triage.config import Strict, read_toml, shipped
from triage.judge.doubt import DoubtModel, load_model

app = typer.Typer(help=__doc__, add_completion=False, invoke_without_command=True)

Recordings = Annotated[Path, typer.Option(help="Folder with notes.csv and noise.csv")]
ConfigFile = Annotated[Path | None, typer.Option("--config", help="Recipe; else configs/holdout.toml")]
Encoders = Annotated[Path | None, typer.Option(help="Folder with the files of the recipe's [encoders]")]
Cache = Annotated[Path | None, typer.Option(help="Folder that caches analyses")]
Out = Annotated[Path | None, typer.Option(help="File for the figures as JSON")]


class ProbeConfig(Strict):
    """The sessions of the linear probe: every take holds a spoilt note, so that there are verdicts of both kinds."""

    sessions: int
    share: float
    verdicts: int


class HoldoutConfig(NetworksConfig):
    """All of configs/holdout.toml: what is built to be ranked."""

    recipe: str
    seed: int
    count: int
    instruments: tuple[str, ...]
    share: float
    most: int
    noise_half: str | dict[str, str]  # one for all, or by instrument
    rt60_s: tuple[float, ...]
    sizes: dict[str, tuple[float, float]]
    weights: dict[str, float]
    elsewhere: Elsewhere | None = None  # where the same sessions are played again
    moved: int | None = None  # how many of them; all where left out
    probe: ProbeConfig | None = None

    def half(self, instrument: str) -> str:
        """Return the part of the noise clips that the sessions of an instrument hold."""
        return self.noise_half if isinstance(self.noise_half, str) else self.noise_half[instrument]


def session_specs(config: HoldoutConfig) -> list[SessionSpec]:
    """Return what to build, one instrument a session, in turn."""
    players = [config.instruments[i % len(config.instruments)] for i in range(config.count)]
    return [
        SessionSpec(
            config.seed * 1000 + i,
            (player,),
            config.share,
            config.half(player),
            config.most,
            config.rt60_s[i % len(config.rt60_s)],
            config.weights,
            config.sizes,
        )
        for i, player in enumerate(players)
    ]


def probe_orders(config: HoldoutConfig, probe: ProbeConfig) -> list[SessionSpec]:
    """Return the sessions of the linear probe: at least two of each instrument."""
    weights = {kind: weight for kind, weight in config.weights.items() if kind not in MISHAPS}
    each = max(2, probe.sessions // len(config.instruments))
    return [
        SessionSpec(
            config.seed * 1000 + 500 + 10 * p + i,
            (player,),
            probe.share,
            config.half(player),
            config.most,
            config.rt60_s[i % len(config.rt60_s)],
            weights,
            config.sizes,
        )
        for p, player in enumerate(config.instruments)
        for i in range(each)
    ]


def probes(
    sessions: list[AnalysedSession], wanted: list[SessionSpec], verdicts: int
) -> dict[str, tuple[float, float]]:
    """Return each probe's AUROC, every session's probe fitted on the one before it of its instrument, in a circle."""
    found = [probed(labelled_notes(one.only())) for one in sessions]
    scores: dict[str, list[float]] = {name: [] for name in found[0]}
    for i, order in enumerate(wanted):
        same = [j for j, other in enumerate(wanted) if other.instruments == order.instruments]
        before = same[same.index(i) - 1]
        for name, first in found[before].items():
            scores[name].append(probe_auroc(first, found[i][name], verdicts, order.seed))
    return {name: mean_and_error(each) for name, each in scores.items()}


def moved(
    config: HoldoutConfig, here: list[AnalysedSession], there: list[AnalysedSession], model: DoubtModel
) -> dict[str, Any]:
    """Return the AUROC of the same sessions in both rooms, and what the move cost each, mean and standard error."""
    pairs = []
    for i, both in enumerate(zip(here, there, strict=True)):
        ranked = [rank_one(one.only(), model, config.seed + i) for one in both]
        pairs.append([auroc(one.rejected, one.scores[TOOL]) for one in ranked])
    return {
        "auroc_here": mean_and_error([one for one, _ in pairs]),
        "auroc_there": mean_and_error([one for _, one in pairs]),
        "loss": mean_and_error([one - other for one, other in pairs]),
    }


def sessions_for(
    config: HoldoutConfig, specs: list[SessionSpec], recordings: Path, cache: Path | None, networks: Networks
) -> list[AnalysedSession]:
    """Return sessions built and analysed by the recipe."""
    return analyse_all(shipped(config.recipe), recordings, specs, cache, networks)


@app.callback()
def main(
    context: typer.Context,
    recordings: Annotated[Path | None, typer.Option(help="Folder with notes.csv and noise.csv")] = None,
    config_file: ConfigFile = None,
    model_file: Annotated[Path | None, typer.Option("--model", help="Doubt model; else the shipped one")] = None,
    encoders: Encoders = None,
    cache: Cache = None,
    out: Out = None,
) -> None:
    """Print how good the queue is on instruments that nothing was tuned on, against general baselines."""
    if context.invoked_subcommand:
        return
    if recordings is None:
        raise typer.BadParameter("name a folder with notes.csv and noise.csv", param_hint="--recordings")
    config = read_toml(config_file or shipped("configs/holdout.toml"), HoldoutConfig)
    model, networks = load_model(model_file), networks_in(encoders, config)
    here = sessions_for(config, session_specs(config), recordings, cache, networks)
    found = report([rank_one(one.only(), model, config.seed + i) for i, one in enumerate(here)])
    print(printed(found))
    if config.elsewhere:
        away = [replace(order, elsewhere=config.elsewhere) for order in session_specs(config)[: config.moved]]
        found["moved"] = moved(
            config, here[: len(away)], sessions_for(config, away, recordings, cache, networks), model
        )
        print("\n" + moved_text(found["moved"]))
    if config.probe:
        wanted = probe_orders(config, config.probe)
        sessions = sessions_for(config, wanted, recordings, cache, networks)
        found["probe"] = probes(sessions, wanted, config.probe.verdicts)
        print("\n" + probe_text(found["probe"], config.probe))
    _write(found, out)


@app.command()
def ablation(
    recordings: Recordings,
    config_file: ConfigFile = None,
    calibration: Annotated[Path | None, typer.Option(help="Recipe; else configs/calibration.toml")] = None,
    encoders: Encoders = None,
    cache: Cache = None,
    out: Out = None,
    general: Annotated[
        bool, typer.Option(help="With the general pretrained embedding, which analyses all again")
    ] = True,
) -> None:
    """Print how much each embedding improves the queue, with a doubt of its own on the same sessions."""
    config = read_toml(config_file or shipped("configs/holdout.toml"), HoldoutConfig)
    fit = read_toml(calibration or shipped("configs/calibration.toml"), CalibrationConfig)
    known = sessions_of(fit, recordings, networks_in(encoders, fit, general), cache)
    networks = networks_in(encoders, config, general)
    chosen = [name for name, which in VARIANTS.items() if general or which != GENERAL]
    sessions = sessions_for(config, session_specs(config), recordings, cache, networks)
    found = table(ablated(known, sessions, fit, config.seed, chosen))
    print(table_text(found))
    _write({"table": found}, out)


app.command("noise")(noise_main)


def moved_text(found: dict[str, Any]) -> str:
    """Return the loss in another room, as a sentence."""
    return (
        f"The same sessions in another room with other microphones: AUROC {_error(found['auroc_there'])} against "
        f"{_error(found['auroc_here'])}, a loss of {_error(found['loss'])}."
    )


def probe_text(found: dict[str, tuple[float, float]], probe: ProbeConfig) -> str:
    """Return the probes' scores as a sentence."""
    each = ", ".join(f"{_error(value)} on the {name}" for name, value in found.items())
    return f"Linear probe, {probe.verdicts} verdicts from one session, AUROC over the notes of the next: {each}."


def _error(value: tuple[float, float]) -> str:
    return f"{value[0]:.3f} ± {value[1]:.3f}"


def _write(found: dict[str, Any], out: Path | None) -> None:
    if out:
        out.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    app()
