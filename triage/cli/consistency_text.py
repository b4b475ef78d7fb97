"""The consistency report as text: sentences and small tables for eyes, JSON for programs.

The JSON is the report's own fields (triage/sheets/consistency_values.py).
"""

from collections.abc import Iterable, Iterator
from dataclasses import asdict
from functools import partial
from typing import Any

from triage.cli.output import Form, json_text, table_text
from triage.domain.pitch import pitch_name
from triage.sheets.consistency_text import amount, cell_text, drift_lines, queue_text, why_not_text
from triage.sheets.consistency_values import (
    ConsistencyReport,
    CurveSheet,
    OutlierSheet,
    PairSheet,
    SpreadSheet,
    WorstSheet,
)

SHOWN = 20  # rows of a table of notes
CURVE = ("cohort", "quantity", ">notes", ">pitches", ">outliers", "greatest step")
WORST = ("what", "where", "heard", "what to do", "hear it in")
OUTLIER = ("take", ">note", "cell", ">sigmas", "what", "queue")
SPREAD = ("what", ">one sigma", "share of the spread, 90 % interval")
PAIR = ("one", "other", "cell", ">difference")
NOTHING = "nothing stands out"


def consistency_text(form: Form, report: ConsistencyReport) -> str:
    """Return the report as JSON or as sentences and tables."""
    if form is Form.json:
        return json_text(asdict(report))
    count = f"{len(report.dots)} notes, {', '.join(report.days)}"
    rejected = f"; rejected and left out: {report.rejected}" if report.rejected else ""
    text = f"{', '.join(report.sessions)}: {count}{rejected}\n"
    if report.worst:
        text += table_text("what is worst", WORST, map(partial(_worst, report), report.worst)) + "\n"
    text += "".join(f"- {sentence}\n" for sentence in report.sentences) or f"{NOTHING}\n"
    return text + "".join(f"\n{part}" for part in _tables(report))


def _tables(report: ConsistencyReport) -> Iterator[str]:
    yield table_text("curves over the keyboard", CURVE, map(_curve, report.curves))
    if report.strays:
        title = f"outliers{_of(len(report.strays))}"
        yield table_text(title, OUTLIER, (_outlier(report, one) for one in report.strays[:SHOWN]))
    if report.ladders:
        yield "ladder of dynamics\n" + "".join(f"- {one.sentence}\n" for one in report.ladders)
    yield table_text("where the spread comes from", SPREAD, map(_spread, report.spreads))
    names = [f">{name}" for name in report.quantities]
    yield table_text("repetitions of a cell, one sigma", ["cohort", *names], _repeats(report))
    if too := [pair for pair in report.pairs if pair.too_alike]:
        yield table_text(f"too much alike{_of(len(too))}", PAIR, (_pair(report, one) for one in too[:SHOWN]))
    yield "drift over the day\n" + "".join(f"- {line}\n" for line in drift_lines(report.drifts))


def _of(count: int) -> str:
    return f", the first {SHOWN} of {count}" if count > SHOWN else ""


def _worst(report: ConsistencyReport, one: WorstSheet) -> list[str]:
    dots = [report.dots[row] for row in one.dots]
    return [one.what, one.where, one.audible, one.do, ", ".join(f"{dot.take}:{dot.note}" for dot in dots)]


def _curve(one: CurveSheet) -> list[Any]:
    step = "-"
    if one.step is not None and one.step_from is not None and one.step_to is not None:
        sign = "+" if one.step >= 0 else "-"
        step = f"{sign}{amount(one.quantity, one.step)}, {pitch_name(one.step_from)} to {pitch_name(one.step_to)}"
    cohort = cell_text(one.instrument, one.articulation, one.dynamic)
    return [cohort, one.quantity, len(one.dots), len(one.pitches), len(one.strays), step]


def _outlier(report: ConsistencyReport, one: OutlierSheet) -> list[Any]:
    dot = report.dots[one.dot]
    return [dot.take, dot.note, _cell(report, one.dot), f"{abs(one.sigmas):.1f}", one.why, queue_text(dot)]


def _cell(report: ConsistencyReport, row: int) -> str:
    dot = report.dots[row]
    pitch = "" if dot.pitch_midi is None else pitch_name(dot.pitch_midi)
    return cell_text(dot.instrument, dot.articulation, dot.dynamic, pitch)


def _spread(one: SpreadSheet) -> list[Any]:
    shares = ", ".join(
        f"{s.factor} {100 * s.share:.0f} % ({100 * (s.low or 0):.0f} to {100 * (s.high or 0):.0f})"
        for s in one.shares
        if s.share is not None and s.share >= 0.005
    )
    unknown = f"cannot be determined: {why}" if (why := why_not_text(one.shares)) else ""
    what = cell_text(one.instrument, one.articulation, one.quantity)
    return [
        what,
        "-" if one.sigma is None else amount(one.quantity, one.sigma),
        "\n".join(filter(None, (shares, unknown))) or one.sentence,
    ]


def _repeats(report: ConsistencyReport) -> Iterable[list[str]]:
    rows: dict[str, dict[str, str]] = {}
    for one in report.repeats:
        cohort = cell_text(one.instrument, one.articulation, one.dynamic)
        rows.setdefault(cohort, {})[one.quantity] = amount(one.quantity, one.sigma)
    return ([cohort, *(row.get(name, "-") for name in report.quantities)] for cohort, row in rows.items())


def _pair(report: ConsistencyReport, one: PairSheet) -> list[Any]:
    first, second = report.dots[one.first], report.dots[one.second]
    names = [f"{dot.take} note {dot.note}" for dot in (first, second)]
    return [*names, _cell(report, one.first), f"{one.alike:.2f}"]
