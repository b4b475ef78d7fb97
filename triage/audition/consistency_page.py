"""The consistency report as one HTML file: sentences, figures, and excerpts of the notes so that a dot can be heard.

In: a report and an open store, whose recordings are read where they lie. Out: a page that needs no network: Plotly's
own script from its package, every figure again as SVG for paper and for readers without scripts, and excerpts as MP3,
the stray notes first, up to a budget. Excerpts are at the level of the recording: nothing is raised.
"""

import base64
import io
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from scipy.signal import resample_poly
from sqlalchemy import Connection

from triage.domain.errors import AudioError
from triage.domain.text import rounded
from triage.intake import wav
from triage.sheets.consistency_figures import figures
from triage.sheets.consistency_svg import svg
from triage.sheets.consistency_values import ConsistencyReport, Dot
from triage.sheets.consistency_words import amount, cannot_words, drift_lines
from triage.sheets.html_page import page
from triage.sheets.pitches import pitch_name
from triage.store.consistency import takes_heard

BUDGET_BYTES = 24_000_000  # of excerpts; as text in the page a third more
EXCERPT_S, BEFORE_S, FADE_S = 1.5, 0.05, 0.01
RATES_HZ = (32_000, 44_100, 48_000)  # what MP3 knows among the rates of recordings
SHRINK = 0.3  # libsndfile's scale, 0 the best: about 90 kbit/s, 16 kB an excerpt
FULL_SCALE = 0.99
Progress = Callable[[str, int, int], None]  # what is being done, how many of it, out of how many


@dataclass(frozen=True)
class Excerpts:
    """What can be heard: take id and note number joined by a colon -> MP3 bytes; and why the rest cannot."""

    sounds: dict[str, bytes]
    over_budget: int
    unreadable: int


def consistency_page(db: Connection, report: ConsistencyReport, tell: Progress, budget: int = BUDGET_BYTES) -> str:
    """Return the report as one HTML page."""
    heard = excerpts(db, report, tell, budget)
    drawn = figures(report)
    sounds = {key: base64.b64encode(sound).decode("ascii") for key, sound in heard.sounds.items()}
    return page(
        "consistency.html",
        report=report,
        heard=heard,
        figures=drawn,
        amount=amount,
        cannot_words=cannot_words,
        drift_lines=drift_lines,
        pitch_name=pitch_name,
        drawings={name: svg(figure, name) for name, figure in drawn.items()},
        data=_in_script(drawn),
        sounds=_in_script(sounds),
        plotly=_plotly(),
        excerpt_s=EXCERPT_S,
    )


def excerpts(db: Connection, report: ConsistencyReport, tell: Progress, budget: int) -> Excerpts:
    """Return the excerpts of as many notes as the budget holds, those first that somebody will want to hear."""
    where = takes_heard(db, sorted({dot.take_id for dot in report.dots}))
    sounds: dict[str, bytes] = {}
    used = over = unreadable = done = 0
    for dot in _wanted_first(report):
        done += 1
        tell("cutting excerpts", done, len(report.dots))
        if used >= budget:
            over += 1
            continue
        try:
            folder, path, channel = where[dot.take_id]
            sound = _excerpt(Path(folder) / path, channel, dot)
        except (KeyError, AudioError, OSError):
            unreadable += 1
            continue
        sounds[f"{dot.take_id}:{dot.note}"] = sound
        used += len(sound)
    return Excerpts(sounds, over, unreadable)


def _wanted_first(report: ConsistencyReport) -> Iterator[Dot]:
    """Yield every dot once: stray notes, notes too much alike, what stands for a take or a step, then the rest."""
    rows: list[int] = [stray.dot for stray in report.strays]
    rows += [row for pair in report.pairs if pair.too_alike for row in (pair.first, pair.second)]
    rows += [point.dot for one in report.drifts for point in one.points]
    rows += [rung.upper[0] for one in report.ladders for rung in one.rungs]
    yield from (report.dots[row] for row in dict.fromkeys([*rows, *_spread_out(len(report.dots))]))


def _spread_out(count: int) -> Iterable[int]:
    """Return all places, every 16th first, so that a small budget reaches all over the keyboard."""
    return (i for first in range(16) for i in range(first, count, 16))


def _excerpt(path: Path, channel: int, dot: Dot) -> bytes:
    samples = wav.read_span(path, channel, dot.start_s - BEFORE_S, dot.start_s - BEFORE_S + EXCERPT_S)
    rate_hz = wav.read_sound(path).sample_rate_hz
    if not samples.size:
        raise AudioError(f"{path}: ends before note {dot.note}")
    samples = np.clip(np.nan_to_num(samples), -FULL_SCALE, FULL_SCALE).astype(np.float64)
    if rate_hz not in RATES_HZ:
        samples, rate_hz = resample_poly(samples, 48_000, rate_hz), 48_000
    edge = min(len(samples) // 2, round(FADE_S * rate_hz))
    samples[:edge] *= np.linspace(0.0, 1.0, edge)
    samples[len(samples) - edge :] *= np.linspace(1.0, 0.0, edge)
    text = io.BytesIO()
    soundfile.write(text, samples, rate_hz, format="MP3", subtype="MPEG_LAYER_III", compression_level=SHRINK)
    return text.getvalue()


def _plotly() -> str:
    return files("plotly").joinpath("package_data/plotly.min.js").read_text(encoding="utf-8")


def _in_script(value: Any) -> str:
    """Return JSON that cannot end the script element that it stands in."""
    text = json.dumps(rounded("", value), allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
