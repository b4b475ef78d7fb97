"""Hearing: what people's words on one take amount to.

In: everything said of a take, oldest first. Out: the last word of each person on the take and on its notes, where
people disagree, and whether the take still has to be heard. A word counts until it is taken back or the take sounds
or is meant otherwise than when it was given. Of equal people none is right: a disagreement is shown, not resolved.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, select, update

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

    @property
    def spoken(self) -> bool:
        """Whether anybody said anything of the take as a whole."""
        return any(stance.take for stance in self.people.values())

    @property
    def settled(self) -> bool:
        """Whether somebody decided on the take and nobody differs; who is unsure leaves it to others."""
        return not self.disagreements and any(s.take in ("accept", "reject") for s in self.people.values())


def resolve(words: Iterable[Said]) -> Heard:
    """Return what words on one take, oldest first, amount to."""
    people: dict[str, Stance] = {}
    for word in words:
        if word.taken_back or word.stale:
            continue
        before = people.get(word.by, Stance())
        if word.note is None:
            people[word.by] = Stance(word.verdict, before.notes)
        else:
            people[word.by] = Stance(before.take, before.notes | {word.note: word.verdict})
    places = sorted({note for stance in people.values() for note in stance.notes})
    found = (_disagreement(people, note) for note in (None, *places))
    return Heard(people, tuple(one for one in found if one.accept and one.reject))


def said_of(db: Connection, take_id: int) -> tuple[Said, ...]:
    """Return everything ever said of a take, oldest first, with what was taken back or has become stale."""
    names = ("id", "note", "verdict", "reason", "comment", "by", "at", "sound", "meant")
    columns = [verdict.c[name] for name in names]
    query = (
        select(*columns, retraction.c.id.label("back"), take.c.sound.label("now"), take.c.meant.label("row"))
        .join(take, take.c.id == verdict.c.take_id)
        .outerjoin(retraction, retraction.c.verdict_id == verdict.c.id)
        .where(verdict.c.take_id == take_id)
        .order_by(verdict.c.id)
    )
    return tuple(_said(row) for row in db.execute(query))


def settle(db: Connection, take_id: int) -> Heard:
    """Bring a take's flags up to date with what was said of it; the caller holds the take's row."""
    heard = resolve(said_of(db, take_id))
    flags = {"heard": heard.spoken, "settled": heard.settled, "disputed": bool(heard.disagreements)}
    db.execute(update(take).where(take.c.id == take_id).values(flags))
    return heard


def _disagreement(people: dict[str, Stance], note: int | None) -> Disagreement:
    def who(word: str) -> tuple[str, ...]:
        return tuple(sorted(name for name, stance in people.items() if stance.on(note) == word))

    return Disagreement(note, who("accept"), who("reject"))


def _said(row: Any) -> Said:
    was = ((row.sound, row.now, "its sound"), (row.meant, row.row, "its row of the take sheet"))
    changed = [what for before, now, what in was if before and now and before != now]
    return Said(row.id, row.note, row.verdict, row.reason, row.comment, row.by, row.at, row.back is not None,
                " and ".join(changed) or None)
