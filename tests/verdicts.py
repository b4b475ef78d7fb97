"""Every verdict ever given in a session and not taken back, stale or not: for tests that nothing is lost."""

from sqlalchemy import Connection

from triage.domain.verdict import Verdict
from triage.store.standing import history
from triage.store.takes import takes


def given_verdicts(db: Connection, session_id: int, take: str | None = None) -> tuple[Verdict, ...]:
    found = [one for own in takes(db, session_id) if take in (None, own.name) for one in history(db, own.id)]
    kept = sorted((one for one in found if not one.taken_back), key=lambda one: one.id)
    names = ("take", "verdict", "by", "at", "note", "reason", "comment", "blind", "shown")
    return tuple(Verdict(**{name: getattr(one, name) for name in names}) for one in kept)
