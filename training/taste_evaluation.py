"""The bench of taste: ``python -m training.taste_evaluation --public PUBLIC --recordings FOLDER --cache CACHE``.

Simulated producers with tolerances of their own (tolerant_producer.py) give verdicts in the desk's own order on
sessions of some instruments; after so many verdicts their taste is fitted (taste_fit.py) and ranks other sessions of
these instruments, takes that nobody judged, and of others. Beside it stand the untaught judge, the producer's own
tolerances, and an oracle taught by every note, which hears what the tool hears. ``--choose`` takes the instruments
and producers that the method is chosen on instead of those that are reported, and ``--shape`` prints what a tolerance
does to the log-odds there.
"""

import json
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from training.analysed_sessions import AnalysedSession
from training.public_recordings import read_public
from training.scores import average_precision, calibration_error, recall_at
from training.taste_bench import (
    BenchSession,
    TasteEvaluationConfig,
    bench_sessions,
    note_probabilities,
    rejected_takes,
    take_doubts,
)
from training.taste_checks import noise_to_the_end, shape_of
from training.taste_fit import HouseDoubts, TasteConfig, fit_taste
from training.tolerant_producer import TolerantProducer, draw_producer, verdict_on
from training.verdict_examples import ANY, Label
from training.version_calibration import VersionCalibrationConfig, noises_of
from training.version_draws import VersionsSpec, analysed_versions
from triage.config import read_toml, shipped
from triage.domain.verdict import Verdict
from triage.judge.active_learning import Mix, purpose, teaching_order
from triage.judge.doubt import load_model
from triage.judge.taste import HOUSE, Taste, information

WAYS = ((True, True), (True, False), (False, False))  # verdicts on notes, with reasons
SAME, OTHER = "same instruments", "other instruments"
EARLY_SHARE = 0.3  # of the queue: rejects found there


def known_taste(producer: TolerantProducer) -> Taste:
    """Return the producer's own tolerances."""
    return Taste(producer.kind, producer.articulation, producer.instrument, producer.direction)


def oracle_taste(producer: TolerantProducer, sessions: Sequence[BenchSession], how: TasteConfig) -> Taste:
    """Return the taste of somebody who judged every note of some sessions, with reasons and without a slip.

    It is as near to the producer's tolerances as this form of taste and the tool's ears come.
    """
    labelled = []
    for one in sessions:
        table = one.house.examples.table
        bad, kinds = producer.rejects(table, one.true, np.random.default_rng(0))
        rows = np.flatnonzero(one.true.usable)
        labels = [
            Label(str(table.take[r]), int(table.number[r]), float(bad[r]), str(kinds[r] or ANY) if bad[r] else ANY, 1)
            for r in rows
        ]
        examples = replace(one.house.examples, labels=tuple(labels), rows=tuple(rows[:, None]))
        labelled.append(replace(one.house, examples=examples))
    free = {
        "kind": 2.0,
        "stricter": 2.0,
        "overall": 2.0,
        "instrument": 1.0,
        "articulation": 0.5,
        "direction": 0.5,
        "label_noise": 1e-3,
        "named_noise": 1e-3,
    }
    return fit_taste(labelled, how.model_copy(update=free)).taste


def measured(
    producer: TolerantProducer, number: int, taste: Taste, sessions: Sequence[BenchSession], part: str
) -> dict[str, float]:
    """Return how well a taste ranks the takes of some sessions for a producer, means over sessions."""
    scores: dict[str, list[float]] = {"ap": [], "early": [], "heard": []}
    doubts, truth = [], []
    for place_, one in enumerate(sessions):
        rejected = rejected_takes(producer, one, np.random.default_rng([number, 5, place_]))
        found = take_doubts(one, taste)
        names = one.reserved if part == SAME else one.takes
        own = np.array([found[name] for name in names])
        bad = np.array([name in rejected for name in names])
        doubts.append(own)
        truth.append(bad)
        if bad.any() and not bad.all():
            scores["ap"].append(average_precision(bad, own))
            scores["early"].append(recall_at(bad, own, EARLY_SHARE))
            order = np.argsort(-own, kind="stable")
            needed = int(np.ceil(0.9 * bad.sum()))
            scores["heard"].append((int(np.searchsorted(np.cumsum(bad[order]), needed)) + 1) / len(own))
    ece = calibration_error(np.concatenate(truth), np.concatenate(doubts))
    return {name: float(np.mean(own)) for name, own in scores.items()} | {"ece": ece}


class Desk:
    """Verdicts given in the desk's own order, session after session; what was learnt changes the order at once."""

    def __init__(
        self, sessions: Sequence[BenchSession], producer: TolerantProducer, how: tuple[bool, bool], seed: int
    ):
        self.sessions, self.producer, self.how = sessions, producer, how
        self.rng = np.random.default_rng(seed)
        self.judged = [producer.rejects(one.house.examples.table, one.true, self.rng) for one in sessions]
        self.verdicts: list[list[Verdict]] = [[] for _ in sessions]
        self.given = 0

    def go_on(self, count: int, taste: Taste, mix: Mix) -> None:
        """Give verdicts until there are ``count``; the reserved takes are left out."""
        for place_, one in enumerate(self.sessions):
            doubts = take_doubts(one, taste)
            learning = self._learning(place_, taste)
            while self.given < count and len(self.verdicts[place_]) < len(one.takes[::2]):
                self._next(place_, doubts, learning, mix)

    def _learning(self, place_: int, taste: Taste) -> list[str]:
        """Return the takes of a session that teach most, in order."""
        one, given = self.sessions[place_], {v.take for v in self.verdicts[place_]}
        table = one.house.examples.table
        names, found = information(note_probabilities(one, taste), one.house.kinds, table.take, table.articulation)
        order = teaching_order(found, np.array([name in given for name in names]))
        return [names[int(row)] for row in order if names[int(row)] in set(one.takes[::2])]

    def _next(self, place_: int, doubts: dict[str, float], learning: list[str], mix: Mix) -> None:
        one, heard = self.sessions[place_], {v.take for v in self.verdicts[place_]}
        left = [name for name in one.takes[::2] if name not in heard]
        why = purpose(len(heard), mix)
        if why == "random":
            take = left[int(self.rng.integers(len(left)))]
        elif why == "learning" and (teaching := [name for name in learning if name not in heard]):
            take = teaching[0]
        else:
            take = max(left, key=lambda name: doubts[name])
        slips = self.producer.config.slips
        table = one.house.examples.table
        self.verdicts[place_].append(verdict_on(take, table, self.judged[place_], self.how, slips, self.rng))
        self.given += 1

    def examples(self) -> list[HouseDoubts]:
        """Return the sessions labelled by the verdicts so far."""
        return [
            HouseDoubts(one.house.examples.with_verdicts(own), one.house.kinds, one.house.each)
            for one, own in zip(self.sessions, self.verdicts, strict=True)
            if own
        ]


def curve(
    by_instrument: dict[str, list[BenchSession]],
    config: TasteEvaluationConfig,
    seed: int,
    how: TasteConfig,
    mix: Mix,
    ways: Sequence[tuple[bool, bool]] = WAYS,
) -> list[dict[str, Any]]:
    """Return one row for each producer, way of giving verdicts and number of verdicts."""
    articulations = sorted(
        {str(a) for own in by_instrument.values() for one in own for a in one.house.examples.table.articulation}
    )
    rows = []
    for number in range(config.producers):
        producer = draw_producer(config.draw, number, articulations, list(by_instrument), seed)
        rows += _rows_of(number, producer, by_instrument, config, seed, how, mix, ways)
    return rows


def _rows_of(
    number: int,
    producer: TolerantProducer,
    by_instrument: dict[str, list[BenchSession]],
    config: TasteEvaluationConfig,
    seed: int,
    how: TasteConfig,
    mix: Mix,
    ways: Sequence[tuple[bool, bool]],
) -> list[dict[str, Any]]:
    names, rows = list(by_instrument), []
    order = [names[int(i)] for i in np.random.default_rng([seed, 41, number]).permutation(len(names))]
    heard = [one for name in order[config.held_out :] for one in by_instrument[name][: config.draws]]
    sets = {
        SAME: [one for name in order[config.held_out :] for one in by_instrument[name][config.draws :]],
        OTHER: [one for name in order[: config.held_out] for one in by_instrument[name][config.draws :]],
    }
    beside = {"untaught": HOUSE, "known": known_taste(producer), "oracle": oracle_taste(producer, heard, how)}
    others = {
        part: {name: measured(producer, number, taste, own, part) for name, taste in beside.items()}
        for part, own in sets.items()
    }
    for way in ways:
        desk, taste = Desk(heard, producer, way, seed + number), HOUSE
        for count in config.counts:
            desk.go_on(count, taste, mix)
            taste = fit_taste(desk.examples(), how).taste if count else HOUSE
            for part, own in sets.items():
                row = {"producer": number, "notes": way[0], "reasons": way[1], "verdicts": count, "on": part}
                rows.append(row | {"given": desk.given, "taught": measured(producer, number, taste, own, part)})
                rows[-1] |= others[part]
    return rows


def printed(rows: Sequence[dict[str, Any]]) -> str:
    """Return the curve as Markdown, means over producers."""
    head = (
        "on",
        "notes, reasons",
        "verdicts",
        "average precision",
        "untaught",
        "tolerances known",
        "oracle",
        "gap closed",
        "worst producer (with tolerances known)",
        "rejects in the first 30 % (untaught, oracle)",
        "heard for 90 %",
        "calibration error",
    )
    lines = ["| " + " | ".join(head) + " |", "|---" * len(head) + "|"]
    for key in dict.fromkeys((r["on"], r["notes"], r["reasons"], r["verdicts"]) for r in rows):
        own = [r for r in rows if (r["on"], r["notes"], r["reasons"], r["verdicts"]) == key]
        t, u, k, o = (
            {name: float(np.mean([r[whose][name] for r in own])) for name in own[0][whose]}
            for whose in ("taught", "untaught", "known", "oracle")
        )
        worst, known = (min(r[whose]["ap"] - r["untaught"]["ap"] for r in own) for whose in ("taught", "known"))
        way = f"{'notes' if key[1] else 'takes'}, {'with' if key[2] else 'without'}"
        given = round(float(np.mean([r["given"] for r in own])))
        cells = [key[0], way, str(given), *(f"{one['ap']:.3f}" for one in (t, u, k, o))]
        gap = o["ap"] - u["ap"]
        cells += [f"{(t['ap'] - u['ap']) / gap:.0%}" if gap else "-", f"{worst:+.3f} ({known:+.3f})"]
        cells += [f"{t[name]:.3f} ({u[name]:.3f}, {o[name]:.3f})" for name in ("early", "heard", "ece")]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main(
    public: Annotated[Path, typer.Option(help="Folder of the public collections' checkouts")],
    recordings: Annotated[Path, typer.Option(help="Folder with noise.csv")],
    cache: Annotated[Path, typer.Option(help="Folder that caches analyses")],
    choose: Annotated[
        bool, typer.Option("--choose", help="On what the prior is chosen on, not what is reported")
    ] = False,
    shape: Annotated[
        bool, typer.Option("--shape", help="What a tolerance does to the log-odds, and no more")
    ] = False,
    config_file: Annotated[Path | None, typer.Option("--config", help="Else configs/taste_evaluation.toml")] = None,
    out: Annotated[Path | None, typer.Option(help="File for the figures as JSON")] = None,
) -> None:
    """Print how fast simulated producers' tastes are learnt, beside the untaught judge and an oracle."""
    config = read_toml(config_file or shipped("configs/taste_evaluation.toml"), TasteEvaluationConfig)
    how = read_toml(shipped("configs/taste.toml"), TasteConfig)
    build = read_toml(shipped("configs/version_calibration.toml"), VersionCalibrationConfig)
    own = config.choose if choose else config.report
    halved = build.model_copy(update={"sessions": build.sessions.model_copy(update={"noise_half": own.noise_half})})
    notes, _ = read_public(public, for_testing=not choose)
    specs = [VersionsSpec(name, 1000 * own.seed + 10 * place_) for place_, name in enumerate(own.instruments)]
    files = analysed_versions(halved.versions, notes, partial(noises_of, halved, recordings), specs, cache)
    model = load_model()
    by_instrument = {
        spec.instrument: bench_sessions(AnalysedSession.load(file), spec.instrument, halved.versions, config, model)
        for spec, file in zip(specs, files, strict=True)
    }
    if shape:
        print(shape_of(by_instrument, config.draw.softness))
        return
    rows = curve(by_instrument, config, own.producers_seed, how, Mix())
    print(printed(rows))
    places = noise_to_the_end(by_instrument, config, how)
    print("takes with noise alone, for one who minds none, place 0 to 1 after so many verdicts:", places)
    if out:
        out.write_text(json.dumps(rows, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    typer.run(main)
