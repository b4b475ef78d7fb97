"""Shared settings: what a producer or lead sets for everybody who works on a store, with bounds and defaults."""

from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select, update

from triage.domain.errors import StoreError
from triage.store import tables
from triage.store.accounts import ROLES
from triage.store.changes import insert_missing

setting = tables.shared_setting
# Of the takes, so many are dealt to two people on purpose, to see how far they agree; who may settle a dispute.
DEFAULTS: dict[str, Any] = {"share_for_two": 0.05, "settled_by": ["producer"]}


def shared_settings(db: Connection) -> dict[str, Any]:
    """Return all shared settings, those never set with their default."""
    return DEFAULTS | {row.name: row.value for row in db.execute(select(setting.c.name, setting.c.value))}


def save_shared_settings(db: Connection, changed: dict[str, Any], by: str, at: datetime) -> dict[str, Any]:
    """Store what a person changed for everybody and return all settings; an unknown name or value is an error."""
    for name, value in changed.items():
        row = {"name": name, "value": _checked(name, value), "by": by, "at": at}
        if not insert_missing(db, setting, row):
            db.execute(update(setting).where(setting.c.name == name).values(row))
    return shared_settings(db)


def _checked(name: str, value: Any) -> Any:
    if name == "share_for_two":
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 1:
            raise StoreError(f"share_for_two is {value!r}; it is a number from 0 to 1")
        return float(value)
    if name == "settled_by":
        if not isinstance(value, list) or not value or not all(one in ROLES for one in value):
            raise StoreError(f"settled_by is {value!r}; it names one or more of {', '.join(ROLES)}")
        return sorted(set(value))
    raise StoreError(f"no shared setting {name!r}; there are {', '.join(DEFAULTS)}")
