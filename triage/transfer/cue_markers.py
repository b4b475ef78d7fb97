"""Kept notes as cue markers: one small sidecar file a take, beside nothing but other sidecars.

Wiring: the kept notes of ``sheets/best_set.py`` and the store go in, files of ``transfer/cue_file.py`` come out.
"""

from collections import defaultdict
from pathlib import Path

from sqlalchemy import Connection

from triage.domain.errors import AudioError, ConfigError
from triage.intake.session import SESSION_FILE
from triage.sheets.best_set import KeepSet, KeptNote
from triage.store.stored import StoredTake
from triage.store.takes import find_session, find_take, tracks
from triage.transfer.cue_file import Marker, write_cue_file


def write_cues(db: Connection, found: KeepSet, folder: Path, silence: bool) -> int:
    """Write a file of cue markers for each take with clean kept notes and return how many.

    A note that is kept only because its cell has no clean one gets no marker. Never into a session's folder,
    where it would pass for a recording.
    """
    inside = [parent for parent in (folder.resolve(), *folder.resolve().parents) if (parent / SESSION_FILE).exists()]
    if inside:
        raise ConfigError(f"{folder} is inside the session {inside[0]}; name a folder of its own for cue markers")
    by_take: dict[tuple[str, str], list[KeptNote]] = defaultdict(list)
    for note in (one for one in found.kept if one.clean):
        by_take[note.session, note.take].append(note)
    for (session, name), notes in by_take.items():
        take = find_take(db, find_session(db, session).id, name)
        rate_hz = _rate_hz(db, take)
        frames = round((take.duration_s or 0.0) * rate_hz) if silence else 1
        place = folder / _file_name(session)
        try:
            place.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ConfigError(f"{place}: cannot be made ({error.strerror}); name another folder") from None
        markers = [_marker(note, rate_hz) for note in notes]
        write_cue_file(place / f"{_file_name(name)}_keep.wav", rate_hz, markers, max(frames, 1))
    return len(by_take)


def _rate_hz(db: Connection, take: StoredTake) -> int:
    """Return the sample rate of the track that the notes' times were measured on."""
    own = {track.mic: track.sample_rate_hz for track in tracks(db, take.id)}
    rate_hz = own.get(take.measured_mic or "") or next((rate for rate in own.values() if rate), None)
    if not rate_hz:
        raise AudioError(f"take {take.name}: no sample rate is known of it; `triage intake` its session again")
    return rate_hz


def _marker(note: KeptNote, rate_hz: int) -> Marker:
    what = " ".join(word for word in (note.pitch, note.articulation, note.dynamic) if word)
    start = round(note.start_s * rate_hz)
    return Marker(start, max(0, round(note.end_s * rate_hz) - start), f"keep {what} rep {note.repetition}")


def _file_name(text: str) -> str:
    """Return a name for a file or folder: what some file systems refuse becomes an underscore."""
    kept = (letter if letter.isprintable() and letter not in '<>:"/\\|?*%' else "_" for letter in text)
    return "".join(kept).strip(". ")
