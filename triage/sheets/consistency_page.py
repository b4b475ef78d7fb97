"""The consistency report as one HTML file that needs no network: sentences, figures, and excerpts of the notes.

In: a report and excerpts as MP3, which ``audition/note_excerpts.py`` cuts. Out: a page; a click on a point plays its
note, at the level of the recording.
"""

import json
from base64 import b64encode
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from triage.domain.pitch import pitch_name
from triage.sheets.consistency_figures import figures
from triage.sheets.consistency_text import amount, drift_lines, queue_text, why_not_text
from triage.sheets.consistency_values import ConsistencyReport, Dot
from triage.sheets.figure import svg
from triage.sheets.html_page import page

EXCERPT_S = 1.5


@dataclass(frozen=True)
class Excerpts:
    """What can be played: take id and note number joined by a colon -> MP3 bytes; and how many notes cannot."""

    sounds: dict[str, bytes]
    over_budget: int = 0
    unreadable: int = 0


def consistency_page(report: ConsistencyReport, excerpts: Excerpts) -> str:
    """Return the report as one HTML page."""
    sounds = {key: b64encode(sound).decode("ascii") for key, sound in excerpts.sounds.items()}
    return page(
        "consistency.html",
        report=report,
        excerpts=excerpts,
        excerpt_s=EXCERPT_S,
        figures={name: svg(figure, name) for name, figure in figures(report).items()},
        amount=amount,
        why_not_text=why_not_text,
        queue_text=queue_text,
        drift_lines=drift_lines,
        pitch_name=pitch_name,
        sounds=json.dumps(sounds, separators=(",", ":")),  # digits, colons and base64: nothing ends a script
    )


def by_interest(report: ConsistencyReport) -> Iterator[Dot]:
    """Yield every note once: outliers, notes too much alike, what stands for a take or a step, then the rest."""
    rows: list[int] = [row for one in report.worst for row in one.dots]
    rows += [one.dot for one in report.strays]
    rows += [row for pair in report.pairs if pair.too_alike for row in (pair.first, pair.second)]
    rows += [point.dot for one in report.drifts for point in one.points]
    rows += [rung.upper[0] for one in report.ladders for rung in one.rungs]
    yield from (report.dots[row] for row in dict.fromkeys([*rows, *_spread_out(len(report.dots))]))


def _spread_out(count: int) -> Iterable[int]:
    """Return all indices, every 16th first, so that a small budget covers the whole keyboard."""
    return (i for first in range(16) for i in range(first, count, 16))
