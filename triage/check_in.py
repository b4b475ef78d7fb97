"""Check-in: what arrived of a session against what was planned, stored before anything of it is analysed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, Engine

from triage.analysis.fingerprint import fingerprint
from triage.domain.errors import ConfigError
from triage.domain.session import Session
from triage.domain.take import Track
from triage.intake.arrivals import ArrivedSession, Check, TakeFiles, check_arrivals
from triage.intake.integrity import check_file
from triage.intake.session import SESSION_FILE, SessionDescription, read_session
from triage.intake.vocabulary import sheet_of
from triage.store.arrival_actions import assigned_files
from triage.store.engine import reading, writing
from triage.store.plan import save_sheet
from triage.store.plan import sheet as planned
from triage.store.session_features import delete_features
from triage.store.takes import GONE, correct_rows, fingerprints, save_session, sessions, takes, tracks_of_takes

NAMED = 5  # takes that a message names


@dataclass(frozen=True)
class Permitted:
    """What somebody has said about a session whose folder is not as it was."""

    moved: bool = False  # its recordings are to be read from this folder from now on
    forget: bool = False  # takes whose recordings are not there any more were taken away on purpose


NOTHING = Permitted()


@dataclass(frozen=True)
class CheckedIn:
    """A session as it stands in its folder; ``new`` are the takes that the store does not hold as they are.

    ``noticed``: lines about a folder that is not as it was.
    """

    folder: Path
    session: SessionDescription
    id: int
    arrived: ArrivedSession
    new: list[TakeFiles]
    address: str | None = None  # where the files really are, if not in the folder
    noticed: tuple[str, ...] = ()
    sheet_asks: bool = False  # of the take sheet a person has to put something right
    corrected: int = 0  # takes whose row of the sheet changed, and nothing that they would be read again for


def check_in(
    folder: Path,
    db_engine: Engine,
    check: Check = check_file,
    address: str | None = None,
    permitted: Permitted = NOTHING,
) -> CheckedIn:
    """Check what arrived in a session's folder, store its take sheet, find the takes that are not analysed yet.

    Refused, before anything is stored: a folder that most of the session's takes are gone from, as from a disk that
    is not mounted, and a copy of a session that stands elsewhere too.
    """
    session = read_session(folder)
    sheet = sheet_of(folder, session)
    with reading(db_engine) as db:
        assigned = next((assigned_files(db, one.id) for one in sessions(db) if one.name == session.name), {})
    arrived = check_arrivals(folder, session, sheet, check, assigned)
    here = address or str(folder.resolve())
    with writing(db_engine) as db:
        noticed = _compare_with_known(db, session, here, arrived, permitted)
        session_id = save_session(db, _session_of(session, here, arrived))
        if planned(db, session_id) != sheet.rows:
            save_sheet(db, session_id, sheet.rows)
            delete_features(db, session_id)
        known, mic = fingerprints(db, session_id), session.reference_mic_name()
        new = [take for take in arrived.takes if known.get(take.name) != fingerprint(take, mic, session.a4_hz)]
        read_again = {take.name for take in new}
        as_stored = (take.sheet_row for take in arrived.takes if take.name not in read_again)
        corrected = correct_rows(db, session_id, as_stored)
    return CheckedIn(folder, session, session_id, arrived, new, address, noticed, sheet.needs_person, corrected)


def _compare_with_known(
    db: Connection, session: SessionDescription, here: str, arrived: ArrivedSession, permitted: Permitted
) -> tuple[str, ...]:
    """Return lines on a folder that is not as it was when the session was taken in last, or refuse it."""
    known = next((one for one in sessions(db) if one.name == session.name), None)
    if known is None:
        return ()
    away = {take.name for take in takes(db, known.id) if take.problem == GONE}  # and was reported then
    before = {take: tracks for take, tracks in tracks_of_takes(db, known.id).items() if take not in away}
    lines = []
    if known.folder != here:
        lines.append(_of_another_folder(session.name, here, known.folder, before, arrived, permitted))
    gone = sorted(before.keys() - {take.name for take in arrived.takes})
    if len(gone) > len(before) / 2 and not permitted.forget:
        raise ConfigError(
            f"{here}: {len(gone)} of the {len(before)} takes taken in of {session.name!r} are not there "
            f"({_some(gone)}); is the disk with {session.files.folder}/ mounted? Nothing was changed. If they were "
            "taken away on purpose: `triage intake FOLDER --forget`"
        )
    if gone:
        lines.append(f"{len(gone)} of {len(before)} takes are no longer in {session.files.folder}/: {_some(gone)}")
    return tuple(lines)


def _of_another_folder(
    name: str,
    here: str,
    folder: str,
    before: Mapping[str, tuple[Track, ...]],
    arrived: ArrivedSession,
    permitted: Permitted,
) -> str:
    """Return the line that a session has moved; refuse where its folder is still there, unless somebody says so."""
    if (Path(folder) / SESSION_FILE).is_file():
        files = {(track.path, track.size_bytes) for tracks in before.values() for track in tracks}
        now = {(track.path, track.facts.size_bytes) for take in arrived.takes for track in take.tracks}
        if files and now and not files & now:
            raise ConfigError(
                f"{here}: session {name!r} of this store was taken in from {folder}, which is still there and holds "
                f"other recordings; give this one a name of its own in {SESSION_FILE}"
            )
        if not permitted.moved:
            raise ConfigError(
                f"{here}: session {name!r} was taken in from {folder}, which is still there; this is a copy of it, "
                "and nothing was changed. To read the recordings here from now on: `triage intake FOLDER --moved`"
            )
    return f"{name!r} was taken in from {folder}; its recordings are read from {here} from now on"


def _some(takes: Sequence[str]) -> str:
    more = f" and {len(takes) - NAMED} more" if len(takes) > NAMED else ""
    return ", ".join(takes[:NAMED]) + more


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
