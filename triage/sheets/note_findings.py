"""What the judge and the files say of each note: its doubt, what for, and which files of its take are to be mended.

The store goes in, one session at a time; the rule for a clean note (``judge/clean_notes.py``) reads what comes out.
The doubts are those that rank the queue: the note's own, and of findings beside it (trouble in the samples, a noise
through the whole take) the certainty of each.
"""

from collections import defaultdict
from dataclasses import dataclass, field

from sqlalchemy import Connection, select

from triage.domain.hit import Hit
from triage.domain.kinds import TECHNICAL, flaw, kind_named
from triage.domain.spot import Spot
from triage.judge.clean_notes import FileFault
from triage.store import tables
from triage.store.arrival_actions import arrival_actions
from triage.store.arrivals import arrivals
from triage.store.hits import hits
from triage.store.spots import spots_among
from triage.store.takes import tracks_of_takes

SURE = 0.5  # from this doubt on a fault that a file can mend counts
Doubted = tuple[float, str]  # how doubtful, and the kind of the finding


@dataclass
class NoteFindings:
    """Of a session: the most doubtful finding at each note and about each take, and each take's file faults."""

    notes: dict[tuple[str, int], Doubted] = field(default_factory=dict)
    takes: dict[str, Doubted] = field(default_factory=dict)
    files: dict[str, list[FileFault]] = field(default_factory=lambda: defaultdict(list))
    lost: dict[str, str] = field(default_factory=dict)  # take -> what of it will never come

    def doubt(self, take: str, number: int, own: float | None) -> tuple[float | None, str]:
        """Return a note's doubt, its own one given, and the kind of its most doubtful finding."""
        spot, whole = self.notes.get((take, number), (0.0, "")), self.takes.get(take, (0.0, ""))
        worst = max(spot, whole)
        if own is None:
            return None, worst[1]
        return max(own, worst[0]), whole[1] if whole[0] > max(own, spot[0]) else spot[1]


def note_findings(db: Connection, session_id: int) -> NoteFindings:
    """Return what is known of a session's notes beside their own doubt."""
    found = NoteFindings()
    of_session = select(tables.take.c.id).where(tables.take.c.session_id == session_id)
    certain: dict[tuple[str, str, str | None], float] = {}
    for spots in spots_among(db, of_session).values():
        for spot in spots:
            certain.setdefault((spot.take, spot.kind, spot.mic), spot.doubt or 0.0)
            _add_spot(found, spot)
    for hit in hits(db, session_id):
        if hit.kind in TECHNICAL:  # one spot stands for all places of a fault
            _add_fault(found, hit, certain.get((hit.take, hit.kind, hit.mic), 0.0))
    _add_arrivals(found, db, session_id)
    return found


def _add_spot(found: NoteFindings, spot: Spot) -> None:
    kind, doubt = kind_named(spot.kind), spot.doubt or 0.0
    if spot.note is not None:
        found.notes[spot.take, spot.note] = max(
            found.notes.get((spot.take, spot.note), (0.0, "")), (doubt, kind.name)
        )
    elif kind.mended_by and doubt >= SURE:
        words = flaw(kind.name).replace("a microphone", spot.mic) if spot.mic else flaw(kind.name)
        found.files[spot.take].append(FileFault(words, kind.mended_by))
    elif kind.whole_take or (kind.lasting and spot.start_s == 0.0) or spot.unit == "semitones":
        found.takes[spot.take] = max(found.takes.get(spot.take, (0.0, "")), (doubt, kind.name))


def _add_fault(found: NoteFindings, hit: Hit, doubt: float) -> None:
    if kind_named(hit.kind).whole_take:
        found.takes[hit.take] = max(found.takes.get(hit.take, (0.0, "")), (doubt, hit.kind))
    elif hit.note is not None:
        key = (hit.take, hit.note)
        found.notes[key] = max(found.notes.get(key, (0.0, "")), (doubt, hit.kind))


def _add_arrivals(found: NoteFindings, db: Connection, session_id: int) -> None:
    """Add each file that is missing, of another sample rate, or cut short, as far as nobody has settled it."""
    tracks = tracks_of_takes(db, session_id)
    take_of = {track.path: (take, track.mic) for take, own in tracks.items() for track in own}
    actions = arrival_actions(db, session_id)
    for one in arrivals(db, session_id).of_kind("missing", "unlike"):
        action = actions[one.place].action if one.place in actions else ""
        take, mic = take_of.get(one.path or "", ("", ""))
        if action == "ignore":
            continue
        if one.kind == "missing" and one.take and action == "will-not-come":
            found.lost[one.take] = f"without {one.mic}, which will not come"
        elif one.kind == "missing" and one.take:
            remedy = "fetch the file from the recorder, or record the take again"
            found.files[one.take].append(FileFault(f"without {one.mic}", remedy, absent=True))
        elif take and one.what == "sample_rate_hz":
            found.files[take].append(FileFault(f"with {mic} at {one.found} Hz", f"convert it to {one.expected} Hz"))
        elif take and one.what == "length_s" and float(one.found or 0) < float(one.expected or 0):
            found.files[take].append(FileFault(f"with {mic} cut short", "fetch the file again from the recorder"))
