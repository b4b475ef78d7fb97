"""How well the tool ranks test sessions of real notes that it has never seen, before any verdict.

Builds sessions (training/trial), takes each in with the tool as it is, and compares the queue with the truth: by
session, by kind of fault and by size, beside three baselines, and with natural playing sounds against without.

    python -m training.trial_evaluation --public FOLDER --recordings FOLDER --natural-sounds both --out trial.json
"""

import argparse
import contextlib
import json
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile
from sklearn.ensemble import IsolationForest

from training.public_recordings import Recording, read_public
from training.scores import auroc, average_precision, recall_at_listening, work_saved
from training.trial.sessions import build_session

Array = npt.NDArray[np.float64]
BOOTSTRAPS = 1_000
SIZE_GROUPS = {"0.5 to 1 JND": (0, 1), "1.5 to 2 JND": (1.5, 2), "3 JND": (3, 3), "5 to 8 JND": (5, 8)}
PRESENT = "present or absent"


@dataclass(frozen=True)
class RankedTake:
    """A take's truth beside the scores of the tool and the baselines; a higher doubt is to be heard sooner."""

    session: str
    take: str
    reject: bool
    faults: list[dict[str, Any]]
    minutes: float
    doubt: float
    loudness: float
    isolation_forest: float
    spots: list[dict[str, Any]]


def scores(takes: Sequence[RankedTake], doubts: npt.ArrayLike) -> dict[str, float]:
    """Return the four measures of a ranking of takes."""
    rejected, minutes = [take.reject for take in takes], [take.minutes for take in takes]
    return {
        "auroc": auroc(rejected, doubts),
        "average_precision": average_precision(rejected, doubts),
        "wss_95": work_saved(rejected, doubts),
        "recall_20_percent_time": recall_at_listening(rejected, doubts, minutes, 0.2),
    }


RANKINGS: dict[str, Callable[[Sequence[RankedTake]], Array]] = {
    "tool": lambda takes: np.array([take.doubt for take in takes]),
    "loudness": lambda takes: np.array([take.loudness for take in takes]),
    "isolation forest": lambda takes: np.array([take.isolation_forest for take in takes]),
}


def report(sessions: dict[str, list[RankedTake]]) -> dict[str, Any]:
    """Return every figure of a set of ranked sessions, ready for JSON."""
    rng = np.random.default_rng(0)
    everything = [take for takes in sessions.values() for take in takes]
    return {
        "sessions": {
            name: scores(takes, RANKINGS["tool"](takes)) | {"takes": len(takes), "auroc_95": _interval(takes, rng)}
            for name, takes in sessions.items()
        },
        "mean": {
            name: _mean([scores(takes, ranking(takes)) for takes in sessions.values()], rng)
            for name, ranking in RANKINGS.items()
        }
        | {"random order": _mean([_random(takes, rng) for takes in sessions.values()], rng)},
        "by_kind": _grouped(everything, lambda fault: fault["kind"]),
        "by_size": _grouped(everything, lambda fault: _size_group(fault["size"])),
    }


def _random(takes: Sequence[RankedTake], rng: np.random.Generator) -> dict[str, float]:
    drawn = [scores(takes, rng.random(len(takes))) for _ in range(50)]
    return {name: float(np.mean([one[name] for one in drawn])) for name in drawn[0]}


def _mean(rows: Sequence[dict[str, float]], rng: np.random.Generator) -> dict[str, dict[str, Any]]:
    """Return the mean over sessions of each measure, with a 95 % interval by bootstrap over sessions."""
    drawn = rng.integers(len(rows), size=(BOOTSTRAPS, len(rows)))
    values = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    return {
        name: {"mean": float(all_.mean()), "95": _percentiles(all_[drawn].mean(axis=1))}
        for name, all_ in values.items()
    }


def _interval(takes: Sequence[RankedTake], rng: np.random.Generator) -> list[float]:
    """Return a 95 % interval of a session's AUROC, by bootstrap over its takes."""
    rejected, doubts = np.array([take.reject for take in takes]), RANKINGS["tool"](takes)
    draws = rng.integers(len(takes), size=(BOOTSTRAPS, len(takes)))
    return _percentiles(np.array([auroc(rejected[d], doubts[d]) for d in draws if 0 < rejected[d].sum() < len(d)]))


def _percentiles(values: Array) -> list[float]:
    return [float(value) for value in np.percentile(values, (2.5, 97.5))]


def _size_group(size: float | None) -> str:
    if size is None:
        return PRESENT
    return next(name for name, (low, high) in SIZE_GROUPS.items() if low <= size <= high)


def _grouped(takes: Sequence[RankedTake], group: Callable[[dict[str, Any]], str]) -> dict[str, dict[str, float]]:
    """Return for each group of faults how its takes rank among the faultless ones of their own session."""
    clean = defaultdict(list)
    for take in takes:
        if not take.faults:
            clean[take.session].append(take.doubt)
    found: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for take in takes:
        for fault in take.faults:
            others = np.array(clean[take.session])
            above = float(np.mean(others < take.doubt) + np.mean(others == take.doubt) / 2)
            found[group(fault)].append((above, take.doubt))
    return {
        name: {
            "takes": len(rows),
            "auroc_against_faultless": float(np.mean([above for above, _ in rows])),
            "median_doubt": float(np.median([doubt for _, doubt in rows])),
        }
        for name, rows in sorted(found.items())
    }


def rank_session(folder: Path, store: str) -> list[RankedTake]:
    """Take a session in and return its takes in the order of the queue, with their truth."""
    _triage("intake", str(folder), "--store", store)
    queue = json.loads(_triage("queue", folder.name, "--store", store, "--format", "json"))["takes"]
    entries = {entry["take"]: entry for entry in queue}
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["takes"]
    features = {take: _features(folder, take) for take in truth}
    loudness = np.array([row[0] for row in features.values()])
    forest = IsolationForest(random_state=0).fit(list(features.values()))
    unusual = -forest.score_samples(list(features.values()))
    return [
        RankedTake(
            folder.name,
            take,
            facts["reject"],
            facts["faults"],
            features[take][1] / 60,
            _doubt(entries.get(take)),
            float(abs(loudness[place] - np.median(loudness))),
            float(unusual[place]),
            entries.get(take, {}).get("spots", []),
        )
        for place, (take, facts) in enumerate(truth.items())
    ]


def _doubt(entry: dict[str, Any] | None) -> float:
    """Return a take's doubt; one that could not be judged is heard first, because its files are broken."""
    return 1.0 if entry is None or entry["doubt"] is None else float(entry["doubt"])


def _triage(*arguments: str) -> str:
    command = [sys.executable, "-c", "from triage.cli.main import main; main()", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode not in (0, 3):  # 3: done, and something needs a person
        raise RuntimeError(f"triage {' '.join(arguments)}: status {done.returncode}: {done.stderr.strip()[-500:]}")
    return done.stdout


def _features(folder: Path, take: str) -> list[float]:
    """Return level in dB, length in s, crest factor in dB, spectral centroid in Hz and zero crossings of a take."""
    samples, rate = soundfile.read(folder / "audio" / f"{take}_close.wav")
    power = float(np.mean(samples**2)) + 1e-12
    magnitude = np.abs(np.fft.rfft(samples))
    centroid = float(magnitude @ np.fft.rfftfreq(len(samples), 1 / rate) / max(magnitude.sum(), 1e-12))
    crossings = float(np.mean(np.diff(np.signbit(samples).astype(int)) != 0))
    crest = float(20 * np.log10(np.abs(samples).max() / np.sqrt(power) + 1e-12))
    return [10 * np.log10(power), len(samples) / rate, crest, centroid, crossings]


def evaluate(
    recordings: Sequence[Recording], clips: Path | None, folder: Path, seeds: Sequence[int], natural: bool
) -> dict[str, list[RankedTake]]:
    """Build, take in and rank a session for each seed, each under its own name and in its own store."""
    ranked = {}
    for seed in seeds:
        name = f"trial-{seed}-{'natural' if natural else 'plain'}"
        started = time.perf_counter()
        if not (folder / name / "truth.json").is_file():
            build_session(recordings, folder / name, seed, natural, clips)
        built = time.perf_counter()
        ranked[name] = rank_session(folder / name, f"sqlite:///{folder / name}.db")
        ranking_s = time.perf_counter() - built
        print(f"{name}: built in {built - started:.0f} s, taken in within {ranking_s:.0f} s", file=sys.stderr)
    return ranked


def natural_loss(plain: dict[str, list[RankedTake]], natural: dict[str, list[RankedTake]]) -> dict[str, Any]:
    """Return what natural sounds cost: each session's measures without less those with, and the mean."""
    rows = []
    for without, with_ in zip(plain.values(), natural.values(), strict=True):
        left, right = scores(without, RANKINGS["tool"](without)), scores(with_, RANKINGS["tool"](with_))
        rows.append({name: left[name] - right[name] for name in left})
    return {"by_session": rows, "mean": _mean(rows, np.random.default_rng(1))}


def table(title: str, figures: dict[str, Any]) -> Iterator[str]:
    """Yield the lines of one report."""
    yield f"\n{title}: AUROC, average precision, WSS@95, recall in 20 % of the time"
    for name, row in figures["sessions"].items():
        low, high = row["auroc_95"]
        values = " ".join(f"{row[key]:6.3f}" for key in ("auroc", "average_precision", "wss_95"))
        yield f"  {name:22} {values} {row['recall_20_percent_time']:6.3f}   AUROC 95 %: {low:.2f} to {high:.2f}"
    for name, row in figures["mean"].items():
        means = " ".join(f"{value['mean']:6.3f}" for value in row.values())
        yield f"  mean, {name:16} {means}"
    for key in ("by_size", "by_kind"):
        yield f"  {key}: takes, AUROC against faultless takes, median doubt"
        for name, row in figures[key].items():
            yield f"    {name:26} {row['takes']:3} {row['auroc_against_faultless']:6.2f} {row['median_doubt']:6.2f}"


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--public", type=Path, required=True, help="folder of the public collections' checkouts")
    parser.add_argument("--recordings", type=Path, help="folder with noise.csv; without it noises are synthesised")
    parser.add_argument("--sessions", type=int, default=8)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--natural-sounds", choices=("off", "on", "both"), default="off")
    parser.add_argument(
        "--keep", type=Path, help="keep the sessions and stores in this folder, and use what is there"
    )
    parser.add_argument("--out", type=Path, help="write all figures as JSON")
    return parser.parse_args()


def main() -> None:
    """Run the evaluation and print its tables."""
    options = _arguments()
    recordings, _ = read_public(options.public, for_testing=True)
    seeds = range(options.first_seed, options.first_seed + options.sessions)
    wanted = {"off": ("plain",), "on": ("natural",), "both": ("plain", "natural")}[options.natural_sounds]
    keep = contextlib.nullcontext(options.keep) if options.keep else tempfile.TemporaryDirectory()
    with keep as folder:
        ranked = {
            name: evaluate(recordings, options.recordings, Path(folder), seeds, name == "natural") for name in wanted
        }
    figures: dict[str, Any] = {name: report(sessions) for name, sessions in ranked.items()}
    for name in wanted:
        print("\n".join(table(f"{name} sessions", figures[name])))
    if len(wanted) == 2:
        figures["loss_through_natural_sounds"] = natural_loss(ranked["plain"], ranked["natural"])
        print("\nloss through natural sounds:", json.dumps(figures["loss_through_natural_sounds"]["mean"]))
    if options.out:
        figures["takes"] = [
            asdict(take) for sessions in ranked.values() for takes in sessions.values() for take in takes
        ]
        options.out.write_text(json.dumps(figures, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
