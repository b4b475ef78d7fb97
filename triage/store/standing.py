"""Hearing: what people's words on one take amount to.

In: everything said of a take, oldest first. Out: the last word of each person on the take and on its notes, where
people disagree, and whether the take still has to be heard. A word counts until it is taken back or the take sounds
or is meant otherwise than when it was given. Of equal people none is right: a disagreement is shown, not resolved.
What was said when a take came back unannounced tells how steady its judge is, and settles nothing.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Select, select, update

from triage.store import tables
from triage.store.stored import Said

take, verdict, retraction = tables.take, tables.verdict, tables.retraction


@dataclass(frozen=True)
class Stance:
    """What one person last said: of the whole take, and of notes by number."""

    take: str | None = None
    notes: dict[int, str] = field(default_factory=dict)

    def on(self, note: int | None) -> str | None:
        """Return the word on a note, which without one of its own shares the take's."""
        return self.take if note is None else self.notes.get(note, self.take)


@dataclass(frozen=True)
class Disagreement:
    """Who accepts and who rejects the same note, or the same take where ``note`` is None."""

    note: int | None
    accept: tuple[str, ...]
    reject: tuple[str, ...]


@dataclass(frozen=True)
class Heard:
    """What all words on a take amount to."""

    people: dict[str, Stance]
    disagreements: tuple[Disagreement, ...]
    drawn: bool = False  # somebody heard it because its lot came up

    @property
    def spoken(self) -> bool:
        """Whether anybody said anything of the take as a whole."""
        return any(stance.take for stance in self.people.values())

    @property
    def rejected(self) -> bool:
        """Whether the take is settled, and as one to reject: who rejects a note rejects its take."""
        said = {word for stance in self.people.values() for word in (stance.take, *stance.notes.values())}
        return self.settled and "reject" in said

    @property
    def settled(self) -> bool:
        """Whether somebody decided on the take and nobody differs; who is unsure leaves it to others."""
        return not self.disagreements and any(s.take in ("accept", "reject") for s in self.people.values())


def resolve(words: Iterable[Said]) -> Heard:
    """Return what words on one take, oldest first, amount to."""
    people: dict[str, Stance] = {}
    drawn = False
    for word in words:
        if word.taken_back or word.stale or word.blind:
            continue
        drawn |= word.shown == "lot"
        before = people.get(word.by, Stance())
        if word.note is None:
            people[word.by] = Stance(word.verdict, before.notes)
        else:
            people[word.by] = Stance(before.take, before.notes | {word.note: word.verdict})
    places = sorted({note for stance in people.values() for note in stance.notes})
    found = (_disagreement(people, note) for note in (None, *places))
    return Heard(people, tuple(one for one in found if one.accept and one.reject), drawn)


def said_of(db: Connection, take_id: int) -> tuple[Said, ...]:
    """Return everything ever said of a take, oldest first, with what was taken back or has become stale."""
    return tuple(_said(row) for row in db.execute(_everything_said().where(verdict.c.take_id == take_id)))


def said_among(db: Connection, session_id: int) -> dict[int, tuple[Said, ...]]:
    """Return take id -> everything ever said of it, for the takes of a session that anybody spoke of."""
    found: dict[int, list[Said]] = {}
    for row in db.execute(_everything_said().where(take.c.session_id == session_id)):
        found.setdefault(row.take_id, []).append(_said(row))
    return {take_id: tuple(words) for take_id, words in found.items()}


def _everything_said() -> Select[Any]:
    names = ("id", "note", "verdict", "reason", "comment", "by", "at", "sound", "meant", "blind", "shown")
    columns = [verdict.c[name] for name in names]
    now = (take.c.sound.label("now"), take.c.meant.label("row"))
    return (
        select(verdict.c.take_id, *columns, retraction.c.id.label("back"), *now)
        .join(take, take.c.id == verdict.c.take_id)
        .outerjoin(retraction, retraction.c.verdict_id == verdict.c.id)
        .order_by(verdict.c.id)
    )


def settle(db: Connection, take_id: int) -> Heard:
    """Bring a take's flags up to date with what was said of it; the caller holds the take's row."""
    heard = resolve(said_of(db, take_id))
    flags = {
        "heard": heard.spoken,
        "settled": heard.settled,
        "disputed": bool(heard.disagreements),
        "rejected": heard.rejected,
        "drawn": heard.drawn,
    }
    db.execute(update(take).where(take.c.id == take_id).values(flags))
    return heard


def _disagreement(people: dict[str, Stance], note: int | None) -> Disagreement:
    def who(word: str) -> tuple[str, ...]:
        return tuple(sorted(name for name, stance in people.items() if stance.on(note) == word))

    return Disagreement(note, who("accept"), who("reject"))


def _said(row: Any) -> Said:
    was = ((row.sound, row.now, "its sound"), (row.meant, row.row, "its row of the take sheet"))
    changed = [what for before, now, what in was if before and now and before != now]
    return Said(
        row.id,
        row.note,
        row.verdict,
        row.reason,
        row.comment,
        row.by,
        row.at,
        row.back is not None,
        " and ".join(changed) or None,
        row.blind,
        row.shown,
    )
