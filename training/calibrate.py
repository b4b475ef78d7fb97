"""Calibrates the doubt before any verdict: ``python -m training.calibrate --recordings FOLDER``.

Sessions are built from development instruments with every kind of fault planted and analysed with the tool's own
code, and a classifier is fitted to which note was spoilt and how. Writes models/doubt.skops and models/doubt.json
(the card). The recipe is configs/calibration.toml.
"""

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer
from scipy.optimize import minimize, minimize_scalar
from scipy.special import logsumexp
from sklearn.linear_model import LogisticRegression

from training.analysed_sessions import (
    AnalysedSession,
    Networks,
    NetworksConfig,
    SessionSpec,
    analyse_all,
    networks_in,
)
from training.performance_faults import FAULTS
from training.technical_faults import MISHAPS
from triage.config import Strict, read_toml, shipped
from triage.judge.doubt import FINE, DoubtModel, save_model
from triage.judge.features import NoteFeatures, kind_of_column, note_features
from triage.judge.note_table import NoteTable
from triage.ranking.note_table import nearby_noise, note_table
from triage.ranking.placing import place
from triage.ranking.session_features import session_features

PLAYED = {fault.kind for fault in FAULTS.values()}
CHANGES_COUNT = {"release", "dropout", "length"}  # faults that can join two notes, cut one in two or add one
CERTAIN = (*MISHAPS, "missing", "extra")  # findings that need no classifier
MATCH_S = 0.3  # a note is the one that was planted if it starts this near


class CalibrationSessions(Strict):
    """Which sessions are built."""

    instruments: tuple[str, ...]
    invented: bool
    count: int
    share: float
    most: int
    noise_half: dict[str, str]  # of each instrument: clips that its encoder has not sessions
    rt60_s: tuple[float, ...]
    sizes: dict[str, tuple[float, float]]
    weights: dict[str, float]


class CalibrationFit(Strict):
    """How the classifier is fitted."""

    bad_notes: float
    taught_notes: float
    technical_takes: float
    penalty: float
    foreign: float
    noise_share: float | None = None  # of the spoilt notes; the other kinds share the rest alike
    odd_by_nature: float = 0.0  # of the notes that deserve a reject: those that nobody planted


class CalibrationConfig(NetworksConfig):
    """All of configs/calibration.toml."""

    recipe: str
    version: str
    seed: int
    sessions: CalibrationSessions
    fit: CalibrationFit


@dataclass(frozen=True)
class LabelledNotes:
    """The notes of one session: features and what is known to be wrong with each."""

    features: NoteFeatures
    table: NoteTable
    kind: np.ndarray  # (note,) of FINE or a kind of spot; "noise" for every noise
    usable: np.ndarray  # (note,) bool: not in a take with a technical fault


def labelled_notes(session: AnalysedSession) -> LabelledNotes:
    """Return the notes of a built session with their labels."""
    takes, _, _ = place(session.takes, session.a4_hz)
    table = note_table(takes)
    kind = np.full(len(table), FINE, dtype="<U16")
    usable = np.ones(len(table), bool)
    for name, truth in session.truth.items():
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
            usable[mine] = False  # the spoilt note was not found: the sheet's count reports it, not the classifier
    return LabelledNotes(note_features(table, nearby_noise(takes, table)), table, kind, usable)


def fit(examples: Sequence[LabelledNotes], config: CalibrationFit, version: str) -> DoubtModel:
    """Fit the classifier of notes; weights put the share of spoilt notes at what a real session has.

    The weights of the features are learnt with more spoilt notes than that (``taught_notes``): at two in a hundred
    the good notes' rare oddities would settle them. Then the intercepts move together to what is most probable where
    ``bad_notes`` are spoilt.
    """
    matrix = np.concatenate([one.features.matrix[one.usable] for one in examples])
    kind = np.concatenate([one.kind[one.usable] for one in examples])
    names, kinds = examples[0].features.names, sorted(set(kind) - {FINE})
    own = np.array([[kind_of_column(name) in (one, None) for name in names] for one in kinds])
    held_back = np.where(own, 1.0, config.foreign) / config.penalty
    taught = shares(kind, config.taught_notes, config.noise_share)
    classifier = monotone_softmax(matrix, kind, taught, held_back, config.odd_by_nature)
    return DoubtModel(version, names, at_rate(classifier, matrix, kind, config), {})


def shares(kind: np.ndarray, bad_notes: float, noise_share: float | None = None) -> np.ndarray:
    """Return a weight for each note that makes ``bad_notes`` of all of them spoilt [shape=(note,), mean 1].

    ``noise_share`` of the spoilt ones by noises, as many by each of the other kinds, for how often a kind was planted
    does not say how often it happens; None: as many by noises too.
    """
    kinds, place = np.unique(kind, return_inverse=True)
    others = max(len(kinds) - 1, 1)
    wanted = np.full(len(kinds), bad_notes / others)
    if noise_share is not None and "noise" in kinds and others > 1:
        wanted[:] = bad_notes * (1 - noise_share) / (others - 1)
        wanted[kinds == "noise"] = bad_notes * noise_share
    wanted[kinds == FINE] = 1 - bad_notes
    return np.asarray((wanted / np.bincount(place) * len(kind))[place])


def at_rate(
    classifier: LogisticRegression, matrix: np.ndarray, kind: np.ndarray, config: CalibrationFit
) -> LogisticRegression:
    """Move all intercepts against that of FINE by one number: the most probable where ``bad_notes`` are spoilt."""
    weight = shares(kind, config.bad_notes, config.noise_share)
    names = list(classifier.classes_)
    own, fine = np.array([names.index(one) for one in kind]), names.index(FINE)
    first, rows = classifier.intercept_ + 0.0, np.arange(len(kind))

    def moved(by: float) -> None:
        classifier.intercept_ = first + by * (np.arange(len(first)) != fine)

    def surprise(by: float) -> float:
        moved(by)
        each = classifier.predict_proba(matrix)
        likely = each[rows, own] + config.odd_by_nature * (own == fine) * (1 - each[:, fine])
        return -float(weight @ np.log(likely + 1e-12))

    moved(float(minimize_scalar(surprise, bounds=(-12.0, 12.0), method="bounded", options={"xatol": 1e-3}).x))
    return classifier


def monotone_softmax(
    matrix: np.ndarray,
    kind: np.ndarray,
    weight: np.ndarray,
    held_back: np.ndarray | float,
    odd_by_nature: float = 0.0,
) -> LogisticRegression:
    """Return a multinomial logistic regression with non-negative weights.

    P(kind) = exp(b_kind + w_kind x) / sum, w_fine = 0 and w_kind >= 0: a larger feature never lowers a doubt. The
    weighted log loss plus sum of held_back w^2 / 2 on features of unit mean square is convex; L-BFGS-B (Byrd et al.,
    SIAM J. Sci. Comput. 16, 1995) finds its one minimum. What comes out is calibrated on the weighted examples, as a
    log loss is. ``held_back`` (kind in order of name, column) is larger for features of another kind, so that no
    kind is learnt from features that merely correlate with it.

    ``odd_by_nature`` is the probability that a note which deserves a reject is labelled FINE because nobody planted
    anything: real recordings hold odd notes too, and must not teach that gross deviations are harmless. Such a label
    has the probability P(fine) + odd_by_nature (1 - P(fine)); the loss is then no longer convex.
    """
    kinds = sorted(set(kind) - {FINE})
    scale = np.sqrt(np.average(matrix**2, axis=0, weights=weight)) + 1e-6
    x, target = matrix / scale, np.array([[one == name for name in kinds] for one in kind], float)
    shape, fine = (len(kinds), matrix.shape[1]), kind == FINE
    cut = shape[0] * shape[1]

    def loss(flat: np.ndarray) -> tuple[float, np.ndarray]:
        w, b = flat[:cut].reshape(shape), flat[cut:]
        score = np.column_stack([np.zeros(len(x)), x @ w.T + b])
        total = logsumexp(score, axis=1)
        each = np.exp(score - total[:, None])
        likely = each[:, 0] + odd_by_nature * (1 - each[:, 0])  # of the label FINE
        share = np.where(fine, (1 - odd_by_nature) * each[:, 0] / likely, 1.0)
        away = (weight * share)[:, None] * (each[:, 1:] - target)
        surprise = np.where(fine, -np.log(likely), total - (target * score[:, 1:]).sum(axis=1))
        value = weight @ surprise + 0.5 * (held_back * w**2).sum()
        return float(value), np.concatenate([(away.T @ x + held_back * w).ravel(), away.sum(axis=0)])

    start = np.concatenate([np.full(cut, 0.02), np.full(len(kinds), -6.0)])
    bounds = [(0.0, None)] * cut + [(None, None)] * len(kinds)
    found = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 2000}).x
    classifier = LogisticRegression()  # holds the numbers, so that the model file holds nothing of ours
    classifier.classes_ = np.array(sorted([*kinds, FINE]))
    rows = [kinds.index(name) if name != FINE else None for name in classifier.classes_]
    coefficients = found[:cut].reshape(shape) / scale
    classifier.coef_ = np.stack([np.zeros(shape[1]) if row is None else coefficients[row] for row in rows])
    classifier.intercept_ = np.array([0.0 if row is None else found[cut + row] for row in rows])
    classifier.n_features_in_ = shape[1]
    return classifier


def certainties(sessions: list[AnalysedSession], prior: float) -> dict[str, float]:
    """Return, for each kind of finding that needs no classifier, the probability that it is true.

    By Bayes: prior * hit rate / (prior * hit rate + false findings a take), where ``prior`` is the share of a real
    session's takes with that trouble. Half a finding is added to either count: none seen is no certainty.
    """
    planted: Counter[str] = Counter()
    right: Counter[str] = Counter()
    false: Counter[str] = Counter()
    for one in sessions:
        takes, missing, _ = place(one.takes, one.a4_hz)
        faults = {name: truth["fault"]["kind"] for name, truth in one.truth.items() if truth["fault"]}
        planted.update(faults.values())
        findings = session_features(takes, missing, {}).findings
        found = {(one.spot.take, one.basis) for one in findings if one.basis in CERTAIN}
        for take, name in found:
            if faults.get(take) == name:
                right[name] += 1
            elif name in MISHAPS or faults.get(take) not in CHANGES_COUNT:
                false[name] += 1
    takes_all = sum(len(one.takes) for one in sessions)
    certain = {}
    for name in CERTAIN:
        hit_rate = (right[name] + 0.5) / (planted[name] + 1) if planted[name] else 1.0  # the sheet's count is exact
        seen = prior * hit_rate
        certain[name] = round(seen / (seen + (false[name] + 0.5) / takes_all), 4)
    return certain


def session_specs(config: CalibrationConfig) -> list[SessionSpec]:
    """Return what to build, one instrument a session."""
    players: list[tuple[str, ...]] = [(name,) for name in config.sessions.instruments]
    players += [("invented",)] * config.sessions.invented
    own = config.sessions
    return [
        SessionSpec(
            config.seed * 1000 + 10 * i + p,
            player,
            own.share,
            own.noise_half[player[0]],
            own.most,
            own.rt60_s[(i + p) % len(own.rt60_s)],
            own.weights,
            own.sizes,
        )
        for i in range(own.count)
        for p, player in enumerate(players)
    ]


def sessions_of(
    config: CalibrationConfig, recordings: Path, networks: Networks, cache: Path | None
) -> list[AnalysedSession]:
    """Return the analysed sessions that the doubt is calibrated on."""
    return analyse_all(shipped(config.recipe), recordings, session_specs(config), cache, networks)


def fitted(sessions: list[AnalysedSession], examples: list[LabelledNotes], config: CalibrationConfig) -> DoubtModel:
    """Return the whole model: the classifier of notes and how sure each other finding is."""
    model = fit(examples, config.fit, config.version)
    return replace(model, certain=certainties(sessions, config.fit.technical_takes))


def card(config: CalibrationConfig, examples: list[LabelledNotes], model: DoubtModel) -> dict[str, Any]:
    """Return what the shipped model was made from."""
    kinds = Counter(str(kind) for one in examples for kind in one.kind[one.usable])
    return {
        "version": model.version,
        "made_by": "python -m training.calibrate",
        "config": config.model_dump(mode="json"),
        "sessions": len(examples),
        "notes": dict(sorted(kinds.items())),
        "evidence": list(model.names),
        "certain": model.certain,
        "kept_unseen": "alto saxophone; second half of the noise clips (training/evaluate.py)",
    }


def main(
    recordings: Annotated[Path, typer.Option(help="Folder with notes.csv and noise.csv")],
    config_file: Annotated[Path | None, typer.Option("--config")] = None,
    encoders: Annotated[Path | None, typer.Option(help="Folder with the files of [encoders]")] = None,
    out: Annotated[Path, typer.Option(help="Folder for the model and its card")] = Path("models"),
    cache: Annotated[Path | None, typer.Option(help="Folder that caches analyses")] = None,
) -> None:
    """Build and analyse sessions, fit the model of the doubt before any verdict, and write it."""
    config = read_toml(config_file or shipped("configs/calibration.toml"), CalibrationConfig)
    sessions = [one.only() for one in sessions_of(config, recordings, networks_in(encoders, config), cache)]
    examples = [labelled_notes(one) for one in sessions]
    model = fitted(sessions, examples, config)
    save_model(model, out / "doubt.skops")
    whole = card(config, examples, model) | {"analysed_with": sorted({one.encoder for one in sessions})}
    (out / "doubt.json").write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")
    print(f"{out / 'doubt.skops'}: {len(examples)} sessions, {sum(len(e.table) for e in examples)} notes")


if __name__ == "__main__":
    typer.run(main)
