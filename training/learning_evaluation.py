"""Learning curve of retraining: ``python -m training.learning_evaluation --recordings FOLDER`` prints it.

A simulated producer gives verdicts on built sessions, with label noise (simulated_producer.py), take after take in
ranked order; after so many verdicts the tool is retrained as `triage retrain` does it and ranks unseen sessions:
later ones of the same instruments, and those of the held-out instrument of configs/holdout.toml. The baseline is the
shipped doubt, which learns nothing.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, NamedTuple

import numpy as np
import typer

from training.analysed_sessions import AnalysedSession, Networks, SessionSpec, analyse_all, networks_in
from training.evaluate import HoldoutConfig, session_specs
from training.scores import auroc, calibration_error, work_saved
from training.selection import RetrainingConfig, build, difference, take_doubts
from training.simulated_producer import give_verdicts
from training.technical_faults import MISHAPS
from training.verdict_examples import VerdictExamples, examples_of_session
from triage.analysis.encoding import encoder_in_use
from triage.config import Strict, read_toml, shipped
from triage.judge.doubt import DoubtModel, load_model
from triage.judge.learned_doubt import LearnedDoubt
from triage.ranking.placing import place
from triage.ranking.session_features import session_features


class ExtraSessions(Strict):
    """Sessions to build beside those of configs/development.toml, with its faults."""

    count: int
    seed: int


class LearningConfig(Strict):
    """All of configs/learning.toml."""

    counts: tuple[int, ...]
    session_specs: int
    label_noise: float
    named: float
    seed: int
    training: ExtraSessions
    later: ExtraSessions


@dataclass(frozen=True)
class Prepared:
    """A session as unlabelled examples, with its takes in ranked order and their truth."""

    examples: VerdictExamples
    session: AnalysedSession
    ranked: list[str]


class Scored(NamedTuple):
    """How well a model ranks the takes of each session, and its doubts of all of them with the truth."""

    auroc: np.ndarray  # (session,)
    work_saved: np.ndarray  # (session,)
    doubts: np.ndarray  # (take,)
    rejected: np.ndarray  # (take,)


def prepared(session: AnalysedSession, name: str, model: DoubtModel) -> Prepared:
    """Return a session ready for verdicts, the most doubtful take first."""
    takes, missing, _ = place(session.takes, session.a4_hz)
    examples = examples_of_session(name, session_features(takes, missing, {}), [])
    doubts = take_doubts(model, examples)
    return Prepared(examples, session, sorted(doubts, key=lambda take: -doubts[take]))


def simulated_examples(
    sessions: Sequence[Prepared], count: int, config: LearningConfig, seed: int
) -> list[VerdictExamples]:
    """Return the examples of the first ``count`` verdicts over sessions in a random order."""
    rng = np.random.default_rng([config.seed, seed])
    examples = []
    for i in rng.permutation(len(sessions)):
        one = sessions[i]
        order = one.ranked[: max(0, count)]
        count -= len(order)
        if order:
            table, truth = one.examples.table, one.session.truth
            verdicts = give_verdicts(order, truth, table, config.label_noise, config.named, rng)
            examples.append(one.examples.with_verdicts(verdicts))
    return examples


def scores(model: DoubtModel | LearnedDoubt, sessions: Sequence[Prepared]) -> Scored:
    """Score a model on takes without technical faults."""
    ranked, saved, doubts, bad = [], [], [], []
    for one in sessions:
        predicted = take_doubts(model, one.examples)
        faults = {take: truth["fault"] for take, truth in one.session.truth.items()}
        names = [take for take in one.ranked if not (faults[take] and faults[take]["kind"] in MISHAPS)]
        own, truth = (
            np.array([predicted[take] for take in names]),
            np.array([faults[take] is not None for take in names]),
        )
        if truth.any() and not truth.all():
            ranked.append(auroc(truth, own))
            saved.append(work_saved(truth, own))
        doubts.append(own)
        bad.append(truth)
    return Scored(np.array(ranked), np.array(saved), np.concatenate(doubts), np.concatenate(bad))


def by_chance(doubts: np.ndarray, draws: int = 200) -> float:
    """Return the calibration error that so many takes show on average where every doubt is exactly true."""
    rng = np.random.default_rng(0)
    return float(np.mean([calibration_error(rng.random(len(doubts)) < doubts, doubts) for _ in range(draws)]))


def curve(
    training: Sequence[Prepared], tests: dict[str, Sequence[Prepared]], config: LearningConfig, how: RetrainingConfig
) -> list[dict[str, Any]]:
    """Return one row for each number of verdicts and test set: learnt, shipped, and their paired difference."""
    prior, encoder, rows = load_model(), encoder_in_use().name, []
    before = {name: scores(prior, sessions) for name, sessions in tests.items()}
    for count in config.counts:
        models = [
            build(examples, prior, how, encoder).model
            if (examples := simulated_examples(training, count, config, order))
            else prior
            for order in range(config.session_specs)
        ]
        for name, sessions in tests.items():
            found, shipped_ = [scores(model, sessions) for model in models], before[name]
            row: dict[str, Any] = {"verdicts": count, "on": name, "sessions": len(shipped_.auroc)}
            for key in ("auroc", "work_saved"):
                mine = np.mean([getattr(one, key) for one in found], axis=0)  # by session, over the session_specs
                row |= {key: float(mine.mean()), f"{key}_shipped": float(getattr(shipped_, key).mean())}
                row[f"{key}_more"] = difference(mine, getattr(shipped_, key), how.rule)._asdict()
            for one, key in ((found, "ece"), ([shipped_], "ece_shipped")):
                row[key] = float(np.mean([calibration_error(each.rejected, each.doubts) for each in one]))
            row["ece_chance"] = float(np.mean([by_chance(each.doubts) for each in found]))
            rows.append(row)
    return rows


def printed(rows: Sequence[dict[str, Any]]) -> str:
    """Return the curve as Markdown; differences with their 95 % intervals over sessions."""
    head = (
        "verdicts",
        "on",
        "AUROC",
        "against shipped",
        "work saved",
        "against shipped",
        "calibration error",
        "shipped's",
        "by chance alone",
    )

    def more(row: dict[str, Any], key: str) -> str:
        found = row[f"{key}_more"]
        return f"{found['mean']:+.3f} ({found['low']:+.3f} to {found['high']:+.3f})"

    body = [
        (
            str(row["verdicts"]),
            row["on"],
            f"{row['auroc']:.3f}",
            more(row, "auroc"),
            f"{row['work_saved']:.3f}",
            more(row, "work_saved"),
            *(f"{row[key]:.3f}" for key in ("ece", "ece_shipped", "ece_chance")),
        )
        for row in rows
    ]
    lines = ["| " + " | ".join(head) + " |", "|---" * len(head) + "|"]
    return "\n".join([*lines, *("| " + " | ".join(cells) + " |" for cells in body)])


def orders_of(development: HoldoutConfig, own: ExtraSessions) -> list[SessionSpec]:
    """Return sessions as configs/development.toml builds them, with other seeds."""
    return session_specs(development.model_copy(update={"count": own.count, "seed": own.seed}))


def main(
    recordings: Annotated[Path, typer.Option(help="Folder with notes.csv and noise.csv")],
    config_file: Annotated[Path | None, typer.Option("--config", help="Recipe; else configs/learning.toml")] = None,
    encoders: Annotated[Path | None, typer.Option(help="Folder with development.toml's [encoders]")] = None,
    held_back: Annotated[bool, typer.Option(help="On the held-back instrument too")] = False,
    cache: Annotated[Path | None, typer.Option(help="Folder that caches analysed sessions")] = None,
    out: Annotated[Path | None, typer.Option(help="File for the figures as JSON")] = None,
) -> None:
    """Print how good the queue is after 0, 5, 10 … verdicts, against the shipped doubt."""
    config = read_toml(config_file or shipped("configs/learning.toml"), LearningConfig)
    how = read_toml(shipped("configs/retraining.toml"), RetrainingConfig)
    development = read_toml(shipped("configs/development.toml"), HoldoutConfig)
    by, prior = networks_in(encoders, development), load_model()

    def prepare_all(wanted: list[SessionSpec], recipe: str, networks: Networks) -> list[Prepared]:
        found = analyse_all(shipped(recipe), recordings, wanted, cache, networks)
        return [
            prepared(one.only(), f"{order.instruments[0]}-{order.seed}", prior)
            for one, order in zip(found, wanted, strict=True)
        ]

    training = prepare_all(orders_of(development, config.training), development.recipe, by)
    tests: dict[str, Sequence[Prepared]] = {
        "later sessions": prepare_all(orders_of(development, config.later), development.recipe, by)
    }
    if held_back:
        holdout = read_toml(shipped("configs/holdout.toml"), HoldoutConfig)
        tests["another instrument"] = prepare_all(session_specs(holdout), holdout.recipe, Networks())
    rows = curve(training, tests, config, how)
    print(printed(rows))
    if out:
        out.write_text(json.dumps(rows, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    typer.run(main)
