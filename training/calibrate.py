"""Calibrates the doubt before any verdict: ``python -m training.calibrate --recordings FOLDER``.

Sessions are built from development instruments with every kind of fault planted, listened to with the tool's own
code, and a classifier is fitted to which note was spoilt and how. Writes models/doubt.skops and models/doubt.json
(the card). The recipe is configs/calibration.toml; read this file from top to bottom.
"""

import json
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from training.examples import Heard, Order, hear_all
from training.faults import FAULTS
from training.mishaps import MISHAPS
from triage.config import Strict, read_toml, shipped
from triage.judge.doubt import FINE, DoubtModel, save_model
from triage.judge.features import Evidence, gather
from triage.judge.table import NoteTable
from triage.placing import place
from triage.scoring import judge, table_of, trouble_of

PLAYED = {fault.kind for fault in FAULTS.values()}
MATCH_S = 0.3  # a note is the one that was planted if it starts this near


class SessionsConfig(Strict):
    """Which sessions are built."""

    instruments: tuple[str, ...]
    invented: bool
    count: int
    share: float
    most: int
    noise_half: str
    rt60_s: tuple[float, ...]
    sizes: dict[str, tuple[float, float]]
    weights: dict[str, float]


class FitConfig(Strict):
    """How the classifier is fitted."""

    bad_notes: float
    penalty: float


class CalibrationConfig(Strict):
    """All of configs/calibration.toml."""

    recipe: str
    version: str
    seed: int
    sessions: SessionsConfig
    fit: FitConfig


@dataclass(frozen=True)
class Examples:
    """The notes of one session: evidence and what is known to be wrong with each."""

    evidence: Evidence
    table: NoteTable
    kind: np.ndarray  # (note,) of FINE or a kind of spot; "noise" for every noise
    usable: np.ndarray  # (note,) bool: not in a take whose trouble is technical


def examples_of(heard: Heard) -> Examples:
    """Return the notes of a built session with their labels."""
    takes, _, _ = place(heard.takes, heard.a4_hz)
    table = table_of(takes)
    kind = np.full(len(table), FINE, dtype="<U16")
    usable = np.ones(len(table), bool)
    for name, truth in heard.truth.items():
        mine = np.flatnonzero(table.take == name)
        fault = truth["fault"]
        if fault is None or not len(mine):
            continue
        if fault["kind"] in MISHAPS:
            usable[mine] = False
            continue
        onset_s = next(note["onset_s"] for note in truth["notes"] if note["note"] == fault["note"])
        nearest = mine[np.abs(table.start_s[mine] - onset_s).argmin()]
        if abs(table.start_s[nearest] - onset_s) < MATCH_S:
            kind[nearest] = fault["kind"] if fault["kind"] in PLAYED else "noise"
        else:
            usable[mine] = False  # the spoilt note was not found: the sheet's count says so, not the classifier
    return Examples(gather(table, trouble_of(takes, table)), table, kind, usable)


def fit(examples: list[Examples], config: FitConfig, version: str) -> DoubtModel:
    """Fit the classifier of notes; weights put the share of spoilt notes at what a real session has.

    Multinomial logistic regression on standardised evidence: few numbers, and probabilities that come out
    calibrated because the loss is the log loss.
    """
    matrix = np.concatenate([one.evidence.matrix[one.usable] for one in examples])
    kind = np.concatenate([one.kind[one.usable] for one in examples])
    bad = kind != FINE
    weight = np.where(bad, config.bad_notes / bad.mean(), (1 - config.bad_notes) / (1 - bad.mean()))
    classifier = make_pipeline(StandardScaler(), LogisticRegression(C=config.penalty, max_iter=5000))
    classifier.fit(matrix, kind, standardscaler__sample_weight=weight, logisticregression__sample_weight=weight)
    return DoubtModel(version, examples[0].evidence.names, classifier, {})


def certainties(heard: list[Heard], model: DoubtModel) -> dict[str, float]:
    """Return, for each kind of finding that needs no classifier, the share of findings that were a fault.

    With Laplace's rule of succession, (right + 1) / (found + 2): a handful of findings is no certainty.
    """
    right: Counter[str] = Counter()
    found: Counter[str] = Counter()
    for one in heard:
        takes, missing, _ = place(one.takes, one.a4_hz)
        for spot in judge(takes, missing, model, {}).spots:
            name = spot.kind
            if spot.kind == "wrong-note" and spot.unit == "notes":
                name = "missing"
            elif spot.kind == "wrong-note" and spot.found is None:
                name = "extra"
            elif spot.kind not in MISHAPS or (spot.kind == "click" and spot.found is not None):
                continue
            found[name] += 1
            right[name] += one.truth[spot.take]["fault"] is not None
    return {name: round((right[name] + 1) / (found[name] + 2), 4) for name in sorted(found)}


def orders(config: CalibrationConfig) -> list[Order]:
    """Return what to build, one instrument a session."""
    players: list[tuple[str, ...]] = [(name,) for name in config.sessions.instruments]
    players += [("invented",)] * config.sessions.invented
    own = config.sessions
    return [
        Order(config.seed * 1000 + 10 * i + p, player, own.share, own.noise_half, own.most,
              own.rt60_s[(i + p) % len(own.rt60_s)], own.weights, own.sizes)
        for i in range(own.count) for p, player in enumerate(players)
    ]  # fmt: skip


def card(config: CalibrationConfig, examples: list[Examples], model: DoubtModel) -> dict[str, Any]:
    """Return what the shipped model was made from."""
    kinds = Counter(str(kind) for one in examples for kind in one.kind[one.usable])
    return {
        "version": model.version, "made_by": "python -m training.calibrate", "config": config.model_dump(mode="json"),
        "sessions": len(examples), "notes": dict(sorted(kinds.items())), "evidence": list(model.names),
        "certain": model.certain,
        "kept_unseen": "alto saxophone; second half of the noise clips (training/evaluate.py)",
    }  # fmt: skip


def main(
    recordings: Annotated[Path, typer.Option(help="Folder with notes.csv and noise.csv")],
    config_file: Annotated[Path | None, typer.Option("--config")] = None,
    out: Annotated[Path, typer.Option(help="Folder for the model and its card")] = Path("models"),
    cache: Annotated[Path | None, typer.Option(help="Folder that keeps what was heard")] = None,
) -> None:
    """Build, listen, fit and write the model of the doubt before any verdict."""
    config = read_toml(config_file or shipped("configs/calibration.toml"), CalibrationConfig)
    heard = hear_all(shipped(config.recipe), recordings, orders(config), cache)
    examples = [examples_of(one) for one in heard]
    model = fit(examples, config.fit, config.version)
    model = DoubtModel(model.version, model.names, model.classifier, certainties(heard, model))
    save_model(model, out / "doubt.skops")
    (out / "doubt.json").write_text(json.dumps(card(config, examples, model), indent=1) + "\n", encoding="utf-8")
    print(f"{out / 'doubt.skops'}: {len(examples)} sessions, {sum(len(e.table) for e in examples)} notes")


if __name__ == "__main__":
    typer.run(main)
