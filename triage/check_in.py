"""Check-in: what arrived of a session against what was planned, stored before anything of it is analysed."""

from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, Engine

from triage.analysis.take import fingerprint
from triage.domain.errors import ConfigError
from triage.domain.session import Session
from triage.intake.arrivals import ArrivedSession, Check, TakeFiles, check_arrivals
from triage.intake.integrity import check_file
from triage.intake.session import SESSION_FILE, SessionDescription, read_session
from triage.intake.sheet import SHEET_FILE, read_sheet
from triage.store.engine import writing
from triage.store.plan import save_sheet
from triage.store.takes import fingerprints, save_session, sessions, tracks_of_session


@dataclass(frozen=True)
class CheckedIn:
    """A session as it stands in its folder; ``new`` are the takes that the store does not hold as they are."""

    folder: Path
    session: SessionDescription
    id: int
    arrived: ArrivedSession
    new: list[TakeFiles]
    address: str | None = None  # where the files really are, if not in the folder


def check_in(folder: Path, db_engine: Engine, check: Check = check_file, address: str | None = None) -> CheckedIn:
    """Check what arrived in a session's folder, store its take sheet, find the takes that are not analysed yet."""
    session = read_session(folder)
    sheet = read_sheet(folder / SHEET_FILE, session.middle_c_octave)
    arrived = check_arrivals(folder, session, sheet, check)
    here = address or str(folder.resolve())
    with writing(db_engine) as db:
        _refuse_a_namesake(db, session, here, arrived)
        session_id = save_session(db, _session_of(session, here, arrived))
        save_sheet(db, session_id, sheet.rows)
        known = fingerprints(db, session_id)
    reference_mic = session.reference_mic_name()
    new = [take for take in arrived.takes if known.get(take.name) != fingerprint(take, reference_mic, session.a4_hz)]
    return CheckedIn(folder, session, session_id, arrived, new, address)


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


def _session_of(description: SessionDescription, folder: str, arrived: ArrivedSession) -> Session:
    rates = [track.facts.sample_rate_hz for take in arrived.takes for track in take.tracks]
    usual = max(sorted(set(rates)), key=rates.count) if rates else None
    return Session(
        description.name,
        folder,
        description.date,
        description.sample_rate_hz or usual,
        description.a4_hz,
        description.reference_mic_name(),
        full_scale_db_spl=description.full_scale_db_spl() or None,
    )
