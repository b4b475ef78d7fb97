"""Whether a session's ranking still holds, told without loading what ranks."""

import json

from sqlalchemy import Connection

from triage.config import shipped
from triage.domain.code_key import code_key
from triage.listen.cards import encoder_name
from triage.store.models import version_in_use
from triage.store.session_features import has_features
from triage.store.takes import session_of


def features_key() -> str:
    """Return what the features that this tool builds depend on: kept ones with another key are built anew."""
    own = code_key("triage.domain", "triage.judge", "triage.ranking", "triage.analysis.encoding")
    return f"{own} {encoder_name()}"


def shipped_version() -> str:
    """Return the version of the shipped doubt, from its card alone."""
    return str(json.loads(shipped("models/doubt.json").read_text(encoding="utf-8"))["version"])


def is_up_to_date(db: Connection, session_id: int) -> bool:
    """Tell whether ranking a session again would change nothing.

    Its features are kept as long as nothing that they rest on changes: takes, sheet, harmless marks, code, encoder.
    """
    found = session_of(db, session_id)
    wanted = version_in_use(db) or shipped_version()
    return found is not None and found.model == wanted and has_features(db, session_id, features_key())
