"""Ranked sessions: every take of a built session with its fault and every ranker's score.

Analysed sessions and a doubt model go in; measures over sessions (mean and standard error), as numbers and as
Markdown, come out. General baselines rank the same takes.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import sem

from training.analysed_sessions import AnalysedSession
from training.baselines import (
    gaussian_mixture,
    isolation_forest,
    level_only,
    pooled_logmel,
    pooled_mfcc,
    random_order,
)
from training.calibrate import PLAYED
from training.scores import all_scores, mean_place
from training.technical_faults import MISHAPS
from triage.judge.doubt import DoubtModel
from triage.ranking.placing import place
from triage.ranking.scoring import judge
from triage.ranking.session_features import session_features

TOOL = "take triage"
MATCH_S = 0.3


@dataclass(frozen=True)
class Ranked:
    """One session's takes in a fixed order: what was wrong, and every ranker's score."""

    rejected: np.ndarray  # (take,) bool
    kind: list[str | None]  # of the planted fault; "noise" for every noise
    minutes: np.ndarray
    scores: dict[str, np.ndarray]
    reasons: list[bool]  # one a performance fault: is the most doubtful spot of its note of that kind?
    onset_ms: np.ndarray  # found less true onset, of every note that has one within MATCH_S
    notes: tuple[int, int, int]  # matched within 50 ms, found, true


def rank_one(session: AnalysedSession, model: DoubtModel, seed: int) -> Ranked:
    """Rank one built session with the tool and with every baseline."""
    takes, missing, _ = place(session.takes, session.a4_hz)
    judgement = judge(session_features(takes, missing, {}), model)
    doubt = {row.take: row.doubt for row in judgement.takes}
    names = [take.name for take in takes]
    faults = [session.truth[name]["fault"] for name in names]
    kind = [_group(fault["kind"]) if fault else None for fault in faults]
    cohort = np.array([f"{take.instrument} {take.articulation} {take.dynamic}" for take in takes])
    frames = [session.frames[name].astype(np.float32) for name in names]
    levels_db = np.array([10 * np.log10((10 ** (own / 10)).sum(axis=0).mean()) for own in frames])
    scores = {
        TOOL: np.array([doubt[name] for name in names]),
        "pooled MFCC + isolation forest": isolation_forest(np.stack([pooled_mfcc(own) for own in frames]), seed),
        "pooled log-mel + Gaussian mixture": gaussian_mixture(np.stack([pooled_logmel(f) for f in frames]), seed),
        "level only": level_only(levels_db, cohort),
        "random order": random_order(len(names), seed),
    }
    reasons = []
    for take, fault in zip(takes, faults, strict=True):
        if fault and fault["kind"] in PLAYED:
            spots = [s for s in judgement.spots if s.take == take.name]
            reasons.append(bool(spots) and spots[0].kind == fault["kind"])
    onset_ms, counts = _onsets(session)
    minutes = np.array([(take.duration_s or 0.0) / 60 for take in takes])
    return Ranked(np.array([k is not None for k in kind]), kind, minutes, scores, reasons, onset_ms, counts)


def _group(kind: str) -> str:
    return kind if kind in PLAYED or kind in MISHAPS else "noise"


def _onsets(session: AnalysedSession) -> tuple[np.ndarray, tuple[int, int, int]]:
    away, matched, found_all, true_all = [], 0, 0, 0
    for take in session.takes:
        true = np.array([note["onset_s"] for note in session.truth[take.name]["notes"]])
        found = np.array([note.start_s for note in take.notes])
        true_all, found_all = true_all + len(true), found_all + len(found)
        for onset_s in true if len(found) else ():
            off = (found - onset_s)[np.abs(found - onset_s).argmin()]
            if abs(off) < MATCH_S:
                away.append(1000 * off)
                matched += abs(off) <= 0.05
    return np.array(away), (matched, found_all, true_all)


def table(sessions: list[Ranked]) -> dict[str, dict[str, tuple[float, float]]]:
    """Return for every ranker each score's mean over sessions and its standard error."""
    rows = {}
    for name in sessions[0].scores:
        own = [all_scores(s.rejected, s.scores[name], s.minutes) for s in sessions]
        columns = {key: [scores[key] for scores in own] for key in own[0]}
        rows[name] = {key: mean_and_error(values) for key, values in columns.items()}
    return rows


def report(sessions: list[Ranked]) -> dict[str, Any]:
    """Return everything that is printed, as plain values."""
    places: dict[str, list[float]] = {}
    for one in sessions:
        for kind, place_ in mean_place(one.kind, one.scores[TOOL]).items():
            places.setdefault(kind, []).append(place_)
    doubts = np.concatenate([one.scores[TOOL] for one in sessions])
    rejected = np.concatenate([one.rejected for one in sessions])
    reasons = [reason for one in sessions for reason in one.reasons]
    onset_ms = np.concatenate([one.onset_ms for one in sessions])
    matched, found, true = np.sum([one.notes for one in sessions], axis=0)
    return {
        "sessions": len(sessions),
        "takes": len(doubts),
        "rejects": int(rejected.sum()),
        "table": table(sessions),
        "mean_place": {kind: float(np.mean(p)) for kind, p in sorted(places.items())},
        "reason_right": float(np.mean(reasons)) if reasons else float("nan"),
        "reasons": len(reasons),
        "onset_median_ms": float(np.median(np.abs(onset_ms))),
        "onset_f": float(2 * matched / (found + true)),
        "brier": float(np.mean((doubts - rejected) ** 2)),
        "mean_doubt": float(doubts.mean()),
        "calibration": _bins(doubts, rejected),
    }


def _bins(doubts: np.ndarray, rejected: np.ndarray) -> list[tuple[float, float, int]]:
    """Return mean doubt, share of rejects and count in fifths of the takes by doubt."""
    order = np.array_split(np.argsort(doubts), 5)
    return [(float(doubts[part].mean()), float(rejected[part].mean()), len(part)) for part in order if len(part)]


def printed(found: dict[str, Any]) -> str:
    """Return the report as Markdown."""
    places = ", ".join(f"{kind} {place_:.2f}" for kind, place_ in found["mean_place"].items())
    fifths = ", ".join(f"{doubt:.2f} → {share:.2f}" for doubt, share, _ in found["calibration"])
    return "\n".join(
        [
            table_text(found["table"]),
            "",
            f"{found['sessions']} sessions, {found['takes']} takes, {found['rejects']} of them spoilt; mean ± "
            "standard error over sessions.",
            "",
            f"Reason exact on {found['reason_right']:.0%} of {found['reasons']} performance faults. Onsets: median "
            f"{found['onset_median_ms']:.1f} ms off, F {found['onset_f']:.3f} at 50 ms. Brier score of the doubt "
            f"{found['brier']:.3f}; mean doubt {found['mean_doubt']:.2f}.",
            "",
            f"Mean place in the queue (0 first, 1 last): {places}.",
            "",
            f"Doubt against rejects, by fifths: {fifths}.",
        ]
    )


def table_text(rows: dict[str, dict[str, tuple[float, float]]]) -> str:
    """Return every ranker's scores as a Markdown table."""
    first = next(iter(rows.values()))
    lines = ["| ranking | " + " | ".join(first) + " |", "|---" * (len(first) + 1) + "|"]
    for name, row in rows.items():
        lines.append(f"| {name} | " + " | ".join(f"{mean:.3f} ± {error:.3f}" for mean, error in row.values()) + " |")
    return "\n".join(lines)


def mean_and_error(values: list[float]) -> tuple[float, float]:
    """Return the mean over sessions and its standard error."""
    return float(np.mean(values)), float(sem(values)) if len(values) > 1 else float("nan")
