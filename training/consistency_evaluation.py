"""How true the shares and drifts of a consistency report are: ``python -m training.consistency_evaluation``.

Sessions with planted shifts (``consistency_truth.py``) go through the store and the same report that people get. Out:
for every planted factor the truth, what was found, the greatest error in points and how often the 90 % interval held
the truth; for drifts how many planted ones were found, how far off, and how many were found where none was planted.
"""

import argparse
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from training.consistency_truth import NOISE, Planted, Shift, plant
from triage.sheets.consistency import consistency
from triage.sheets.consistency_values import ConsistencyReport
from triage.store.engine import open_store, reading

ROUNDING = 0.005  # shares are shown in whole per cent
MOST_POINTS = 5.0  # what a share may be off
# Sizes in units of the noise from note to note: a share of a few per cent up to four fifths.
CASES = {
    "register, slope": Planted({"length": Shift(register=2.0), "tuning": Shift(register=0.7)}),
    "register, bend": Planted(
        {"length": Shift(register=1.5, shape="bend"), "attack": Shift(register=0.5, shape="bend")}
    ),
    "register, low notes": Planted(
        {"length": Shift(register=1.5, shape="low"), "level": Shift(register=1.0, shape="low")}
    ),
    "day": Planted({"tuning": Shift(day=1.0), "brightness": Shift(day=0.5)}, days=3),
    "set-up": Planted({"brightness": Shift(setup=0.8), "level": Shift(setup=1.5)}),
    "register and day": Planted({"length": Shift(register=1.0, day=1.0), "tuning": Shift(register=0.5, day=0.7)}),
    "all three": Planted(
        {"level": Shift(register=0.7, day=0.7, setup=0.7), "attack": Shift(register=1.0, setup=0.5)}
    ),
    "nothing": Planted(),
}
FACTORS = ("register", "day", "set-up", "pitch", "take", "rest")
DRIFT = Planted({"tuning": Shift(per_hour=1.2), "brightness": Shift(per_hour=-1.0)}, sessions=1, take_pitches=3)


@dataclass(frozen=True)
class Found:
    """One factor in one store: true share, estimated share and its interval."""

    case: str
    quantity: str
    factor: str
    planted: bool
    truth: float
    share: float
    low: float
    high: float


def report_of(planted: Planted, seed: int) -> tuple[ConsistencyReport, dict[str, dict[str, float]]]:
    """Plant, take the report, and return it with the truth."""
    with tempfile.TemporaryDirectory() as folder:
        engine = open_store(f"sqlite:///{Path(folder) / 'planted.db'}")
        try:
            truth = plant(engine, planted, seed)
            with reading(engine) as db:
                return consistency(db), truth
        finally:
            engine.dispose()


def compare(case: str, planted: Planted, seed: int) -> Iterator[Found]:
    """Yield every factor of every quantity of one planted store."""
    report, truth = report_of(planted, seed)
    for spread in report.spreads:
        shift = planted.shifts.get(spread.quantity)
        sizes = {"register": shift.register, "day": shift.day, "set-up": shift.setup} if shift else {}
        for share in spread.shares:
            if share.factor in FACTORS and share.share is not None:
                yield Found(
                    case,
                    spread.quantity,
                    share.factor,
                    bool(sizes.get(share.factor)),
                    truth[spread.quantity][share.factor],
                    share.share,
                    share.low or 0.0,
                    share.high or 0.0,
                )


def drifts(seeds: int) -> dict[str, list[float]]:
    """Return, for each kind of drift, the change found over the change planted; NaN where none was found."""
    ratios: dict[str, list[float]] = defaultdict(list)
    for seed in range(seeds):
        report, _ = report_of(DRIFT, seed)
        for one in report.drifts:
            if one.quantity == "doubt":
                continue
            per_hour = DRIFT.shift(one.quantity).per_hour * NOISE[one.quantity]
            span = one.points[-1].hour - one.points[0].hour
            usual = 1.0 if one.unit in ("cents", "dB") else float(np.median([p.value for p in one.points]))
            name = one.quantity if per_hour else "none planted"
            ratio = (one.change or 0.0) / (per_hour * span * usual) if per_hour else 1.0
            ratios[name].append(ratio if one.found else float("nan"))
    return ratios


def main() -> None:
    """Print the tables."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--seeds", type=int, default=5, help="stores of each case")
    asked.add_argument("--pitches", type=int, default=30)
    asked.add_argument("--repetitions", type=int, default=3)
    options = asked.parse_args()
    sized = {
        case: replace(planted, pitches=options.pitches, repetitions=options.repetitions)
        for case, planted in CASES.items()
    }
    every = [found for case in sized for seed in range(options.seeds) for found in compare(case, sized[case], seed)]
    _print_table(every)
    print("\nplanted exactly:", _verdict(every))
    chance = [
        found
        for case in sized
        for seed in range(options.seeds)
        for found in compare(case, replace(sized[case], exact=False), seed)
    ]
    print("with what chance adds to a planted factor left in:", _verdict(chance))
    for name, found in drifts(4 * options.seeds).items():
        seen = np.array([ratio for ratio in found if np.isfinite(ratio)])
        of = ""
        if seen.size and name != "none planted":
            of = f", {seen.mean():.2f} +- {seen.std():.2f} of the planted change"
        print(f"drift, {name}: found in {len(seen)} of {len(found)} days{of}")


def _print_table(every: list[Found]) -> None:
    print("| planted | share planted | share found | greatest error, points | interval held it |")
    print("|---|---|---|---|---|")
    for case, quantity, factor in dict.fromkeys((r.case, r.quantity, r.factor) for r in every if r.planted):
        mine = [r for r in every if (r.case, r.quantity, r.factor) == (case, quantity, factor)]
        print(_row(f"{case}: {quantity}, {factor}", mine))
    for factor in FACTORS:
        print(_row(f"all stores: {factor}", [r for r in every if r.factor == factor]))


def _verdict(every: list[Found]) -> str:
    planted = [r for r in every if r.planted]
    within = np.mean([_points(r) <= MOST_POINTS for r in planted])
    held = np.mean([_held(r) for r in planted])
    return (
        f"{within:.1%} of {len(planted)} planted shares within {MOST_POINTS:g} points, greatest error "
        f"{max(map(_points, planted)):.1f}; the 90 % interval held {held:.0%} of them"
    )


def _held(found: Found) -> bool:
    return found.low - ROUNDING <= found.truth <= found.high + ROUNDING


def _points(found: Found) -> float:
    return 100.0 * abs(found.share - found.truth)


def _row(name: str, rows: list[Found]) -> str:
    truth, share = np.mean([r.truth for r in rows]), np.mean([r.share for r in rows])
    held = np.mean([_held(r) for r in rows])
    return f"| {name} | {truth:.0%} | {share:.0%} | {max(map(_points, rows)):.1f} | {held:.0%} |"


if __name__ == "__main__":
    main()
