"""Finding takes: a session's takes by what they are, what is wrong with them and who judged them, in pages."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import urlencode

from sqlalchemy import ColumnElement, Connection, exists, false, func, or_, select

from triage.domain.pitch import parse_pitch
from triage.store import tables
from triage.store.review import note_verdicts_on, verdicts_on
from triage.store.stored import StoredTake
from triage.store.takes import stored_take

take, note, spot, verdict, track = tables.take, tables.note, tables.spot, tables.verdict, tables.track
SHOWS = ("open", "disputed", "settled", "all")
CELL = ("instrument", "articulation", "dynamic")
# Each ends with the rank, so that the same page is the same twice.
SORTS: dict[str, tuple[Any, ...]] = {
    "doubt": (take.c.rank.nulls_last(),),
    "take": (take.c.name,),
    "recorded": (take.c.recorded_at.nulls_last(), take.c.rank.nulls_last()),
    "longest": (take.c.listen_s.desc().nulls_last(), take.c.rank.nulls_last()),
}


@dataclass(frozen=True)
class Wanted:
    """Which takes of a session are wanted, in which order; empty text is no condition."""

    show: str = "open"
    q: str = ""  # part of a take's name or remark
    instrument: str = ""
    articulation: str = ""
    dynamic: str = ""
    pitch: str = ""
    kind: str = ""  # of a spot
    mic: str = ""  # that a spot is about
    person: str = ""  # who gave a verdict
    sort: str = "doubt"
    page: int = 1

    def query(self, **changes: str | int) -> str:
        """Return an address's query for this with changes; any change but of the page begins at the first one."""
        changed = replace(self, **({"page": 1} | changes))  # type: ignore[arg-type]
        usual = Wanted()
        return "?" + urlencode({k: v for k, v in vars(changed).items() if v != getattr(usual, k)})


@dataclass(frozen=True)
class FoundTakes:
    """One page of takes, what was said of them (take id -> person -> verdict) and of notes, and how many in all."""

    takes: Sequence[StoredTake]
    verdicts: dict[int, dict[str, str]]
    on_notes: dict[int, dict[tuple[str, str], list[int]]]  # take id -> (person, verdict) -> notes
    total: int


def find_takes(db: Connection, session_id: int, wanted: Wanted, rows: int) -> FoundTakes:
    """Return a page of the takes that are wanted.

    Raises
    ------
    SheetError
        If the pitch is none.
    """
    which = [take.c.session_id == session_id, *_conditions(wanted)]
    total = db.scalar(select(func.count()).select_from(take).where(*which)) or 0
    order = (*SORTS.get(wanted.sort, SORTS["doubt"]), take.c.id)
    query = select(take).where(*which).order_by(*order).limit(rows).offset(rows * (max(1, wanted.page) - 1))
    found = [stored_take(row) for row in db.execute(query)]
    ids = [one.id for one in found]
    return FoundTakes(found, verdicts_on(db, ids), note_verdicts_on(db, ids), total)


def choices(db: Connection, session_id: int) -> dict[str, list[str]]:
    """Return what the takes of a session can be filtered by: instruments, articulations, dynamics, microphones."""
    here = take.c.session_id == session_id
    found = {
        name: [one for one in db.scalars(select(take.c[name]).where(here).distinct().order_by(take.c[name])) if one]
        for name in CELL
    }
    first = select(func.min(take.c.id)).where(here, take.c.analysed).scalar_subquery()
    mics = select(track.c.mic).where(track.c.take_id == first).order_by(track.c.id)
    return found | {"mic": list(db.scalars(mics))}


def _conditions(wanted: Wanted) -> list[ColumnElement[bool]]:
    """Return the conditions on a take of the session."""
    flags = {"open": take.c.settled == false(), "settled": take.c.settled, "disputed": take.c.disputed}
    found: list[ColumnElement[bool]] = [flags[wanted.show]] if wanted.show in flags else []
    if text := wanted.q.strip():
        found.append(
            or_(take.c.name.icontains(text, autoescape=True), take.c.remark.icontains(text, autoescape=True))
        )
    found += [take.c[name] == value for name in CELL if (value := getattr(wanted, name))]
    if wanted.pitch.strip():
        played = func.coalesce(note.c.sheet_midi, note.c.pitch_midi) == parse_pitch(wanted.pitch)
        found.append(exists().where(note.c.take_id == take.c.id, played))
    on_spot = [spot.c[name] == value for name in ("kind", "mic") if (value := getattr(wanted, name))]
    if on_spot:
        found.append(exists().where(spot.c.take_id == take.c.id, *on_spot))
    if wanted.person:
        found.append(exists().where(verdict.c.take_id == take.c.id, verdict.c.by == wanted.person, verdict.c.stands))
    return found
