"""Tables of noise hits, of people's marks on groups of them, and of their corrections; see ``tables.py``."""

from sqlalchemy import JSON, Boolean, Column, Index, Integer, Table, false

from triage.store.columns import Real, UtcTime, Whole, Words
from triage.store.metadata import metadata, owned_by

hit = Table(
    "hit",
    metadata,
    Column("id", Integer, primary_key=True),
    owned_by("take"),
    Column("kind", Words, nullable=False),
    Column("start_s", Real, nullable=False),
    Column("end_s", Real, nullable=False),
    Column("mic", Words, nullable=False),
    Column("mics", JSON, nullable=False),
    Column("level_dbfs", Real),
    Column("over_floor_db", Real),
    Column("exposed", Real),
    Column("note", Whole),
    Column("group", Words),  # microphone:kind:rhythm, given when the session is ranked
    Column("harmless", Boolean, nullable=False, server_default=false()),
    Column("second_mic", Words),
    Column("natural", Words),  # of a natural sound of playing, which
    Column("usual", Boolean, nullable=False, server_default=false()),  # and like the player's others, as last ranked
    Column("usual_db", Real),
    Column("hz", Real),
    Column("sound", JSON(none_as_null=True)),  # 20 levels in dB, parts of the spectrum
    Column("found_kind", Words),  # as the analysis found it, where corrections changed that
    Column("found_start_s", Real),
    Column("found_end_s", Real),
    Index("ix_hit_take_id", "take_id"),
)


mark = Table(
    "mark",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("group", Words, nullable=False),  # as hit.group: hits are made anew, the mark stays
    Column("harmless", Boolean, nullable=False),
    Column("loudest_dbfs", Real),  # what was heard when it was called harmless
    Column("session", Words, nullable=False),
    Column("by", Words, nullable=False),
    Column("at", UtcTime, nullable=False),
    Index("ix_mark_group", "group"),
)


hit_correction = Table(
    "hit_correction",  # only ever added to; names its take and time, for hits are made anew and corrections stay
    metadata,
    Column("id", Integer, primary_key=True),
    Column("session", Words, nullable=False),
    Column("take", Words, nullable=False),
    Column("mic", Words, nullable=False),
    Column("kind", Words, nullable=False),  # as it was found
    Column("start_s", Real, nullable=False),
    Column("end_s", Real, nullable=False),
    Column("sound", JSON(none_as_null=True), nullable=False),
    Column("right_kind", Words),  # NULL: no noise
    Column("right_start_s", Real, nullable=False),
    Column("right_end_s", Real, nullable=False),
    Column("by", Words, nullable=False),
    Column("at", UtcTime, nullable=False),
)
