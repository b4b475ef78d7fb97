"""Standing verdicts: what counts now of all verdicts given on takes and notes. All queries go through here.

A verdict counts until it is taken back, until the same person gives another on the same take or note, or until
the take's sound or its row of the take sheet is no longer what it was then. A verdict given when a take came back
unannounced measures how consistent the person is, and never counts. People are equal: a disagreement is shown, until
somebody who may do so settles it: their verdict then overrules the others' where these differ.

``settle`` works this out whenever a verdict is given or taken back and whenever a take is stored, and keeps it as
``verdict.stands`` and as flags of the take; queries read these.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Row, Select, select, update

from triage.domain.verdict import Verdict
from triage.store import tables

take, verdict, retraction = tables.take, tables.verdict, tables.retraction
# What must not have changed since a verdict was given, and its name in messages.
DIGESTS = (("audio_digest", "its sound"), ("sheet_row_digest", "its row of the take sheet"))


@dataclass(frozen=True)
class GivenVerdict(Verdict):
    """A verdict as it is kept, and why it counts no longer where that is so."""

    id: int = 0
    taken_back: bool = False
    changed: str | None = None  # what of the take has changed since
    stands: bool = False

    @property
    def stale(self) -> bool:
        """Whether it was given on a take that is no longer as it was."""
        return self.changed is not None


@dataclass(frozen=True)
class PersonVerdicts:
    """What stands of one person: on the whole take, and on notes by number."""

    take: str | None = None
    notes: dict[int, str] = field(default_factory=dict)

    def on(self, note: int | None) -> str | None:
        """Return the verdict on a note, which without one of its own shares the take's."""
        return self.take if note is None else self.notes.get(note, self.take)


@dataclass(frozen=True)
class Disagreement:
    """Who accepts and who rejects the same note, or the same take where ``note`` is None."""

    note: int | None
    accept: tuple[str, ...]
    reject: tuple[str, ...]


class Outcome(NamedTuple):
    """What people's verdicts on one note amount to: accept, reject, unsure or disputed; and the last reason given."""

    verdict: str
    reason: str = ""


@dataclass(frozen=True)
class TakeVerdicts:
    """All that stands on one take; ``given`` holds the standing verdicts, oldest first."""

    given: tuple[GivenVerdict, ...]
    people: dict[str, PersonVerdicts]

    @property
    def disagreements(self) -> tuple[Disagreement, ...]:
        """Where somebody accepts what somebody else rejects and nobody settled it, the whole take first."""
        return tuple(one for one in self._differences if self.decision(one.note) is None)

    def decision(self, note: int | None) -> GivenVerdict | None:
        """Return the verdict that settles a note, its own or else its take's; None where nobody has settled it."""
        settling = {one.note: one for one in self.given if one.settles}  # the last one of each place
        return settling.get(note) or settling.get(None)

    @property
    def _differences(self) -> tuple[Disagreement, ...]:
        notes = sorted({note for person in self.people.values() for note in person.notes})
        found = (Disagreement(note, self._who("accept", note), self._who("reject", note)) for note in (None, *notes))
        return tuple(one for one in found if one.accept and one.reject)

    @property
    def heard(self) -> bool:
        """Whether anybody gave a verdict on the take as a whole."""
        return any(person.take for person in self.people.values())

    @property
    def settled(self) -> bool:
        """Whether somebody decided on the take and nobody differs; who is unsure leaves it to others."""
        return not self.disagreements and any(p.take in ("accept", "reject") for p in self.people.values())

    @property
    def rejected(self) -> bool:
        """Whether the take is settled, and as one to reject: who rejects a note rejects its take."""
        differ = {one.note for one in self._differences}
        kept = [one for one in self.given if one.note not in differ or one == self.decision(one.note)]
        return self.settled and any(one.verdict == "reject" for one in kept)

    @property
    def sampled(self) -> bool:
        """Whether somebody heard it as part of the random sample."""
        return any(one.shown == "random" for one in self.given)

    def outcome(self, note: int) -> Outcome | None:
        """Return what stands on a note, None where nobody gave a verdict on it or on its take."""
        verdicts = {person.on(note) for person in self.people.values()}
        if {"accept", "reject"} <= verdicts:
            decided = self.decision(note)
            return Outcome(decided.verdict, decided.reason or "") if decided else Outcome("disputed")
        for name in ("reject", "accept", "unsure"):
            if name in verdicts:
                reasons = [one.reason for one in self.given if one.verdict == name and one.note in (None, note)]
                return Outcome(name, next((reason for reason in reversed(reasons) if reason), ""))
        return None

    def _who(self, verdict_given: str, note: int | None) -> tuple[str, ...]:
        return tuple(sorted(name for name, person in self.people.items() if person.on(note) == verdict_given))


def standing_of(history: Iterable[GivenVerdict]) -> tuple[GivenVerdict, ...]:
    """Return the verdicts on one take that count, of all that were ever given, oldest first."""
    last: dict[tuple[str, int | None], GivenVerdict] = {}
    for one in history:
        if not (one.taken_back or one.stale or one.blind):
            last[one.by, one.note] = one
    return tuple(sorted(last.values(), key=lambda one: one.id))


def summarise(standing: Iterable[GivenVerdict]) -> TakeVerdicts:
    """Return what the standing verdicts on one take amount to."""
    given = tuple(standing)
    people: dict[str, PersonVerdicts] = {}
    for one in given:
        before = people.get(one.by, PersonVerdicts())
        if one.note is None:
            people[one.by] = PersonVerdicts(one.verdict, before.notes)
        else:
            people[one.by] = PersonVerdicts(before.take, before.notes | {one.note: one.verdict})
    return TakeVerdicts(given, people)


def take_verdicts(db: Connection, take_id: int) -> TakeVerdicts:
    """Return what stands on one take."""
    return summarise(_given(db, verdict.c.take_id == take_id, verdict.c.stands))


def session_verdicts(db: Connection, session_ids: Iterable[int]) -> dict[int, TakeVerdicts]:
    """Return take id -> what stands on it, for the takes of these sessions with a verdict."""
    found: dict[int, list[GivenVerdict]] = {}
    query = _everything_given().where(take.c.session_id.in_(list(session_ids)), verdict.c.stands)
    for row in db.execute(query):
        found.setdefault(row.take_id, []).append(_given_verdict(row))
    return {take_id: summarise(given) for take_id, given in found.items()}


def standing_verdicts(db: Connection, session_id: int) -> tuple[GivenVerdict, ...]:
    """Return the standing verdicts of a session, oldest first."""
    return tuple(_given(db, take.c.session_id == session_id, verdict.c.stands))


def comparable_verdicts(db: Connection, session_id: int) -> tuple[GivenVerdict, ...]:
    """Return the verdicts that agreement is measured on: superseded and blind ones too, none stale or undone."""
    return tuple(one for one in _given(db, take.c.session_id == session_id) if not (one.taken_back or one.stale))


def history(db: Connection, take_id: int) -> tuple[GivenVerdict, ...]:
    """Return every verdict ever given on a take, oldest first, also those that count no longer."""
    return tuple(_given(db, verdict.c.take_id == take_id))


def settle(db: Connection, take_id: int) -> TakeVerdicts:
    """Work out what stands on a take and keep it; the caller holds the take's row."""
    found = summarise(standing_of(history(db, take_id)))
    stands = verdict.c.id.in_([one.id for one in found.given])
    db.execute(update(verdict).where(verdict.c.take_id == take_id, verdict.c.stands != stands).values(stands=stands))
    db.execute(update(take).where(take.c.id == take_id).values(flags_of(found)))
    return found


def flags_of(found: TakeVerdicts) -> dict[str, bool]:
    """Return the flags of a take by name of their columns."""
    flags = {name: getattr(found, name) for name in ("heard", "settled", "rejected", "sampled")}
    return flags | {"disputed": bool(found.disagreements)}


def was_taken_back() -> ColumnElement[bool]:
    """Return the condition that a verdict was taken back."""
    return select(retraction.c.id).where(retraction.c.verdict_id == verdict.c.id).exists()


def _everything_given() -> Select[Any]:
    names = ("id", "note", "verdict", "reason", "comment", "by", "at", "blind", "shown", "settles", "stands")
    now = (take.c.name.label("take"), *(take.c[name].label(f"{name}_now") for name, _ in DIGESTS))
    then = (verdict.c[name] for name in (*names, *dict(DIGESTS)))
    query = select(verdict.c.take_id, *then, *now, retraction.c.id.label("retraction"))
    query = query.join(take, take.c.id == verdict.c.take_id)
    return query.outerjoin(retraction, retraction.c.verdict_id == verdict.c.id).order_by(verdict.c.id)


def _given(db: Connection, *which: ColumnElement[bool]) -> Iterator[GivenVerdict]:
    return map(_given_verdict, db.execute(_everything_given().where(*which)))


def _given_verdict(row: Row[Any]) -> GivenVerdict:
    values = row._mapping
    pairs = ((values[name], values[f"{name}_now"], what) for name, what in DIGESTS)
    changed = " and ".join(what for then, now, what in pairs if then and now and then != now)
    names = ("take", "verdict", "by", "at", "note", "reason", "comment", "blind", "shown", "settles", "id", "stands")
    return GivenVerdict(
        **{name: values[name] for name in names}, taken_back=row.retraction is not None, changed=changed or None
    )
