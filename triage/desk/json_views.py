"""What the store holds of a take, as plain values for JSON; numbers are rounded to what can be seen or heard."""

import math
from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection

from triage.audition.excerpts import pitch_words
from triage.domain.measurements import COMPARED
from triage.domain.spot import Spot, in_short
from triage.ranking.queue_mixing import RejectEstimate, may_stop
from triage.store.expectations import find_expected
from triage.store.hits import hits
from triage.store.neighbours import NeighbourNote
from triage.store.notes import notes
from triage.store.previews import drawn_mics
from triage.store.review import Left
from triage.store.spots import take_spots
from triage.store.standing import GivenVerdict, history, summarise
from triage.store.stored import StoredNote, StoredTake
from triage.store.takes import tracks

TAKE = (
    "id",
    "session_id",
    "rank",
    "instrument",
    "articulation",
    "dynamic",
    "remark",
    "duration_s",
    "doubt",
    "listen_s",
    "problem",
    "measured_mic",
    "audio_digest",
    "heard",
    "settled",
    "disputed",
)
NOTE = ("number", "start_s", "end_s", "ring_end_s", "pitch_midi", "sheet_midi", "doubt")
MEASURED = ("cents", "length_s", "level_dbfs", "loudness_lufs", "attack_s")
SPOT = ("start_s", "end_s", "note", "kind", "doubt", "mic", "found", "expected", "unit", "why")
HIT = ("kind", "start_s", "end_s", "mic", "mics", "level_dbfs", "over_floor_db", "exposed", "note")
DECIMALS = 4
SAME_SHARE = 1e-3  # of a value: what the store and a spot may differ by in rounding
SHORTEST_SPOT_S = 0.3  # so that a click is heard in its context


def take_shown(db: Connection, take: StoredTake, around_s: float, by: str, why: str | None = None) -> dict[str, Any]:
    """Return all that the desk shows of a take; ``why`` it comes, where that is not its doubt.

    One that comes again unannounced, or to a second person on purpose, is shown as if nobody had heard it.
    """
    afresh = why in ("repeat", "second")
    given = () if afresh else history(db, take.id)
    unheard = dict.fromkeys(("heard", "settled", "disputed"), False) if afresh else {}
    played, expected = notes(db, take.session_id, take.name), find_expected(db, take.id)
    return {
        **_keys(take, TAKE),
        **unheard,
        "take": take.name,
        "shown": why,
        "back": _back(given, by),
        "mics": _mics(db, take),
        "spots": [_spot(spot, take, around_s, played) for spot in take_spots(db, take.id)],
        "notes": [_note(note, expected.get(note.number, {})) for note in played],
        "hits": [_keys(hit, HIT) for hit in hits(db, take.session_id, take.name)],
        "verdicts": verdicts_shown(given),
    }


def row_shown(take: StoredTake, verdicts: dict[str, str]) -> dict[str, Any]:
    """Return a take as a row of the list."""
    return {**_keys(take, TAKE), "take": take.name, "verdicts": verdicts}


def verdicts_shown(given: tuple[GivenVerdict, ...]) -> dict[str, Any]:
    """Return every verdict given on a take, and what they amount to."""
    standing = summarise(one for one in given if one.stands)
    return {
        "history": [vars(one) | {"at": one.at.isoformat(), "stale": one.stale} for one in given],
        "people": {by: {"take": one.take, "notes": one.notes} for by, one in standing.people.items()},
        "disagreements": [vars(one) for one in standing.disagreements],
        "settled": standing.settled,
    }


def left_shown(left: Left, bound: float, sample: RejectEstimate | None = None) -> dict[str, Any]:
    """Return what is left to hear, and whether one may stop: by the doubts, and by the random sample.

    The sample's estimate may lie outside of what can be, so as to be right on average; shown is the nearest that can.
    """
    shown = None
    if sample:
        shown = sample._asdict() | {"expected": _short(min(max(sample.expected, sample.low), sample.high))}
        sample = sample._replace(expected=shown["expected"])
    stop = may_stop(sample, left.expected_rejects, bound, left.all)
    return {**_keys(left, tuple(vars(left))), "sample": shown, "bound": bound, "can_stop": stop}


def neighbour_shown(db: Connection, one: NeighbourNote, mic: str | None, take_id: int, note: int) -> dict[str, Any]:
    """Return a note to compare with, its picture, and where to hear it as loud as the note it is compared with."""
    away = {0: "same pitch"}.get(one.semitones, f"{_semitones(abs(one.semitones))} {_side(one.semitones)}")
    why = away + (", accepted" if one.accepted else "")
    address = quote(mic or "", safe="")
    like = f"like_take={take_id}&like_note={note}"
    return {
        **_keys(one, tuple(vars(one))),
        "values": {name: _short(value) for name, value in one.values.items()},
        "pitch": pitch_words(one.pitch_midi),
        "why": why,
        "audio": f"/audio/takes/{one.take_id}/notes/{one.note}/{address}?{like}",
        "picture": f"/api/takes/{one.take_id}/picture/{address}" if mic in drawn_mics(db, one.take_id) else None,
    }


def _mics(db: Connection, take: StoredTake) -> list[dict[str, Any]]:
    """Return the microphones, the one that the notes were cut on first."""
    previewed = drawn_mics(db, take.id)
    found = []
    for track in sorted(tracks(db, take.id), key=lambda track: track.mic != take.measured_mic):
        mic, version = quote(track.mic, safe=""), f"?v={(take.audio_digest or '')[:12]}"
        shown = track.mic in previewed
        found.append(
            {
                "name": track.mic,
                "rate_hz": track.sample_rate_hz,
                "problem": track.problem,
                "audio": f"/audio/takes/{take.id}/{mic}{version}",
                "picture": f"/api/takes/{take.id}/picture/{mic}{version}" if shown else None,
                "wave": f"/api/takes/{take.id}/wave/{mic}{version}" if shown else None,
                "pitch": f"/api/takes/{take.id}/pitch{version}" if shown and track.mic == take.measured_mic else None,
            }
        )
    return found


def _spot(spot: Spot, take: StoredTake, around_s: float, played: Sequence[StoredNote]) -> dict[str, Any]:
    longer_s = max(0.0, SHORTEST_SPOT_S - (spot.end_s - spot.start_s)) / 2
    start_s, end_s = spot.start_s - around_s - longer_s, spot.end_s + around_s + longer_s
    start_s, end_s = max(0.0, start_s), min(take.duration_s or end_s, end_s)
    play = {"start_s": round(start_s, DECIMALS), "end_s": round(end_s, DECIMALS)}
    why, details = in_short(spot.kind, spot.why)
    about = {"why": why, "details": details, "measurement": _measurement(spot, played), "play": play}
    return _keys(spot, SPOT) | about


def _measurement(spot: Spot, played: Sequence[StoredNote]) -> str | None:
    """Return the name of the measurement that a spot was found by: the one of its kind that read so on its note."""
    values = next((one.measurements for one in played if one.number == spot.note), {})
    if spot.kind == "wrong-note" and spot.unit == "MIDI":
        return "cents"
    off = {
        name: abs((values.get(name) or math.nan) - spot.found)
        for name, how in COMPARED.items()
        if how.kind == spot.kind and how.unit == spot.unit and spot.found is not None
    }
    near = [name for name in off if off[name] < SAME_SHARE * max(1.0, abs(spot.found or 0.0))]
    return min(near, key=lambda name: off[name]) if near else None


def _note(note: StoredNote, expected: dict[str, tuple[float, float, float]]) -> dict[str, Any]:
    measured = {name: _short(note.measurements.get(name)) for name in MEASURED}
    compared = {
        "values": {name: _short(note.measurements.get(name)) for name in COMPARED},
        "expected": {name: [_short(one) for one in three] for name, three in expected.items()},
    }
    return {**_keys(note, NOTE), **measured, **compared, "pitch": pitch_words(note.pitch_midi)}


def _back(verdicts: tuple[GivenVerdict, ...], by: str) -> str | None:
    """Return why a take comes back that a person has judged before: their last verdict that a change made stale."""
    stale = [one for one in verdicts if one.stale and one.note is None and not one.taken_back]
    if not stale or any(w.by == by and not w.stale and not w.taken_back and w.note is None for w in verdicts):
        return None
    last = ([one for one in stale if one.by == by] or stale)[-1]
    return f"{last.changed} changed after {last.by} said {last.verdict} on {last.at:%d %B}"


def _semitones(n: int) -> str:
    return "a semitone" if n == 1 else f"{n} semitones"


def _side(semitones: int) -> str:
    return "above" if semitones > 0 else "below"


def _keys(record: Any, names: tuple[str, ...]) -> dict[str, Any]:
    return {name: _short(getattr(record, name)) for name in names}


def _short(value: Any) -> Any:
    return round(value, DECIMALS) if isinstance(value, float) else value
