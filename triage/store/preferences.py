"""Preferences: what each person set for themselves at the desk, each with its kind, bounds and default."""

from typing import Any

from sqlalchemy import Connection, select, update

from triage.domain.errors import StoreError
from triage.store import tables
from triage.store.changes import insert_missing

preference = tables.preference
# name: default, least, most (numbers) or choices
NUMBERS = {
    "bound_rejects": (1.0, 0.0, 1000.0),  # stop when so many rejects at most are expected to be left unheard
    "around_s": (0.5, 0.0, 5.0),  # heard before and after a spot
    "gain_db": (0.0, -30.0, 12.0),  # of the desk's own player; loud is limited in audition as well
}
CHOICES = {"scheme": ("system", "dark", "light"), "autoplay": ("on", "off"), "teaching": ("on", "off")}


def preferences(db: Connection, person_id: int) -> dict[str, Any]:
    """Return all of a person's preferences, those never set with their default."""
    found = {name: default for name, (default, _, _) in NUMBERS.items()}
    kept = db.execute(select(preference.c.name, preference.c.value).where(preference.c.person_id == person_id))
    return found | {name: choices[0] for name, choices in CHOICES.items()} | {row.name: row.value for row in kept}


def save_preferences(db: Connection, person_id: int, changed: dict[str, Any]) -> dict[str, Any]:
    """Store what a person changed and return all preferences; an unknown name or value is an error."""
    for name, value in changed.items():
        row = {"person_id": person_id, "name": name, "value": _checked(name, value)}
        if not insert_missing(db, preference, row):
            mine = (preference.c.person_id == person_id) & (preference.c.name == name)
            db.execute(update(preference).where(mine).values(value=row["value"]))
    return preferences(db, person_id)


def _checked(name: str, value: Any) -> Any:
    if name in NUMBERS:
        _, least, most = NUMBERS[name]
        if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
            raise StoreError(f"preference {name} is {value!r}; it is a number from {least:g} to {most:g}")
        return float(value)
    if name in CHOICES:
        if value not in CHOICES[name]:
            raise StoreError(f"preference {name} is {value!r}; it is one of {', '.join(CHOICES[name])}")
        return value
    raise StoreError(f"no preference {name!r}; there are {', '.join((*NUMBERS, *CHOICES))}")
