"""One session's way through the house: files → what came → what was heard → doubt → the store.

Read this file first. ``take_in`` is everything that `triage intake` does; each step is one call into a room.
`triage watch` (``watching.py``) goes the same way, one take after another.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sqlalchemy import Connection, Engine

from triage.analysis.remote_folder import at_hand
from triage.analysis.take import fingerprint
from triage.analysis.workers import analyse_all
from triage.domain.errors import ConfigError
from triage.domain.session import Session
from triage.intake.arrivals import ArrivedSession, Check, TakeFiles, check_arrivals
from triage.intake.integrity import check_file
from triage.intake.session import SESSION_FILE, SessionDescription, read_session
from triage.intake.sheet import SHEET_FILE, read_sheet
from triage.ranking.session import rank_session
from triage.store.arrivals import save_arrivals
from triage.store.engine import writing
from triage.store.plan import save_sheet
from triage.store.takes import drop_takes, fingerprints, save_session, save_take, sessions, tracks_of_session

Progress = Callable[[str, int, int], None]  # what is being done, how many of it, out of how many


@dataclass(frozen=True)
class Summary:
    """What one intake did."""

    session: str
    takes: int
    new_takes: int
    problems: list[str]
    needs_person: bool


@dataclass(frozen=True)
class CheckedIn:
    """A session as it stands in its folder; ``new`` are the takes that the store does not hold as they are."""

    folder: Path
    session: SessionDescription
    id: int
    arrived: ArrivedSession
    new: list[TakeFiles]
    address: str | None = None  # where the files really lie, if not in the folder


def take_in(
    folder: Path | str, db_engine: Engine, progress: Progress | None = None, cluster: str | None = None
) -> Summary:
    """Take a session's folder in: check what came, listen to what is new, judge and rank all of it.

    The folder may be an address that fsspec can read; ``cluster`` is that of one that listens (``cluster.py``).
    """
    tell = progress or (lambda what, done, total: None)
    with at_hand(folder) as where:
        came = check_in(where.folder, db_engine, address=where.address)
        hear(came, came.new, db_engine, tell, cluster)
    with writing(db_engine) as db:
        drop_takes(db, came.id, [take.name for take in came.arrived.takes])
    problems, ranked = rank_arrived(db_engine, came)
    tell("ranking", 1, 1)
    return Summary(
        came.session.name, ranked, len(came.new), problems, bool(came.arrived.arrivals.of_kind("missing", "broken"))
    )


def check_in(folder: Path, db_engine: Engine, check: Check = check_file, address: str | None = None) -> CheckedIn:
    """Call the roll of a session's folder, store what was meant, and find what has not been listened to yet."""
    session = read_session(folder)
    sheet = read_sheet(folder / SHEET_FILE, session.middle_c_octave)
    arrived = check_arrivals(folder, session, sheet, check)
    here = address or str(folder.resolve())
    with writing(db_engine) as db:
        _refuse_a_namesake(db, session, here, arrived)
        session_id = save_session(db, _record(session, here, arrived))
        save_sheet(db, session_id, sheet.rows)
        known = fingerprints(db, session_id)
    reference_mic = session.reference_mic_name()
    new = [take for take in arrived.takes if known.get(take.name) != fingerprint(take, reference_mic, session.a4_hz)]
    return CheckedIn(folder, session, session_id, arrived, new, address)


def hear(
    came: CheckedIn, takes: Sequence[TakeFiles], db_engine: Engine, tell: Progress, cluster: str | None = None
) -> None:
    """Listen to takes and store what was heard, each as soon as it is done."""
    session = came.session
    analysed = analyse_all(takes, came.folder, session.reference_mic_name(), session.a4_hz, came.address, cluster)
    for done, record in enumerate(analysed, start=1):
        with writing(db_engine) as db:
            save_take(db, came.id, record)
        tell("listening", done, len(takes))


def rank_arrived(db_engine: Engine, came: CheckedIn) -> tuple[list[str], int]:
    """Rank a session and store what arrived of it; return lines for a person and the number of takes."""
    broken = {take.name: list(take.broken) for take in came.arrived.takes if take.broken}
    ranked = rank_session(db_engine, came.id, came.session.a4_hz, broken=broken)
    own = [f"{take.name}: {take.problem}" for take in ranked.takes if take.problem]
    problems = [*came.arrived.arrivals.problems, *ranked.problems, *own]
    with writing(db_engine) as db:
        save_arrivals(db, came.id, replace(came.arrived.arrivals, problems=tuple(problems)))
    return problems, len(ranked.takes)


def _refuse_a_namesake(db: Connection, session: SessionDescription, here: str, arrived: ArrivedSession) -> None:
    """Refuse another folder with a known session's name and none of its files, while that one is still there."""
    known = next((one for one in sessions(db) if one.name == session.name and one.folder != here), None)
    if known is None or not (Path(known.folder) / SESSION_FILE).is_file():
        return
    before = {(track.path, track.size_bytes) for track in tracks_of_session(db, known.id)}
    now = {(track.path, track.facts.size_bytes) for take in arrived.takes for track in take.tracks}
    if before and now and not before & now:
        raise ConfigError(
            f"{here}: session {session.name!r} of this store was taken in from {known.folder}, which is still there "
            f"and holds other recordings; give this one a name of its own in {SESSION_FILE}"
        )


def _record(session: SessionDescription, folder: str, arrived: ArrivedSession) -> Session:
    rates = [track.facts.sample_rate_hz for take in arrived.takes for track in take.tracks]
    usual = max(sorted(set(rates)), key=rates.count) if rates else None
    return Session(
        session.name,
        folder,
        session.date,
        session.sample_rate_hz or usual,
        session.a4_hz,
        session.reference_mic_name(),
        full_scale_db_spl=session.full_scale_db_spl() or None,
    )
