"""The arrivals check: which takes are there, with which tracks, and what is missing, unexpected, broken or unlike.

In: a session's folder, its description and its take sheet. Out: the takes that can be analysed, each with its tracks,
and everything that a person should know. One bad file stops nothing; no recording is written to.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from triage.domain.arrivals import ArrivalProblem, Arrivals
from triage.domain.errors import SheetError
from triage.domain.pitch import parse_pitch
from triage.domain.sheet_row import SheetRow
from triage.intake.audio_files import list_files
from triage.intake.file_differences import find_unlike
from triage.intake.headers import Headers, read_headers
from triage.intake.integrity import FileFacts, check_file
from triage.intake.names import NamePattern
from triage.intake.session import SessionDescription
from triage.intake.sheet import TakeSheet

# No instrument's note is over in less; a recorder started and stopped by mistake leaves such files.
SHORTEST_TAKE_S = 0.1


@dataclass(frozen=True)
class TrackFile:
    """One microphone of a take: `channel`, from 0, of the file at `path`, relative to the session's folder."""

    mic: str
    path: str
    channel: int
    facts: FileFacts


@dataclass(frozen=True)
class TakeFiles:
    """A take with its usable tracks, in the order of the session's mics; none where all its files are broken.

    `sheet_row` is the take's row of the sheet, its gaps filled from the file names; `broken` has a line for each file
    that cannot be used; `arriving`: a file of it is still being written.
    """

    name: str
    tracks: tuple[TrackFile, ...]
    sheet_row: SheetRow
    broken: tuple[str, ...] = ()
    arriving: bool = False


@dataclass(frozen=True)
class ArrivedSession:
    """Takes in the order of the sheet, then those not on it by name, and what did not arrive as it should."""

    takes: tuple[TakeFiles, ...]
    arrivals: Arrivals


@dataclass(frozen=True)
class _File:
    take: str
    mic: str | None  # None: one file holds all microphones
    path: str
    fields: dict[str, str]
    facts: FileFacts


Check = Callable[[Path], FileFacts]


def check_arrivals(
    folder: Path,
    session: SessionDescription,
    sheet: TakeSheet,
    check: Check = check_file,
    assigned: Mapping[str, tuple[str, str]] | None = None,
) -> ArrivedSession:
    """Compare what arrived of a session with its take sheet.

    Parameters
    ----------
    folder : Path
        The session's folder.
    session : SessionDescription
    sheet : TakeSheet
        Its take sheet; without rows, the takes found are taken for those planned.
    check : callable
        Gives the facts of a file; one that knows them already saves opening it again.
    assigned : mapping of str to (str, str)
        Path, relative to the folder, to the take and the microphone that somebody says it belongs to.

    Returns
    -------
    ArrivedSession
        One problem of kind missing for each mic of each planned take; files of takes not on the sheet are
        unexpected, yet the takes are there. The lines begin with the sheet's.
    """
    folder, problems = Path(folder), list(sheet.problems)
    rows = {row.take: row for row in sheet.rows}
    files, unexpected, lines = _find(folder, session, rows, check, assigned or {})
    problems += lines
    by_take: dict[str, list[_File]] = {}
    for file in files:
        by_take.setdefault(file.take, []).append(file)
    files = [file for take in by_take.values() for file in take]
    order = [name for name in rows if name in by_take] + sorted(by_take.keys() - rows.keys())
    takes = []
    for name in order:
        take, lines = _take(folder, session, rows.get(name, SheetRow(name)), by_take[name])
        takes.append(take)
        problems += lines
    if rows:
        unlisted = [name for name in order if name not in rows]
        problems += [f"take {name}: not on the take sheet, ranked all the same; add a row" for name in unlisted]
        unexpected += [file.path for name in unlisted for file in by_take[name]]
    entries = (
        *_missing(session, list(rows or by_take), takes, files),
        *(ArrivalProblem("unexpected", path) for path in sorted(unexpected)),
        *(ArrivalProblem("broken", file.path, why=file.facts.problem) for file in files if file.facts.broken),
        *_unlike(session, files),
    )
    mics = set(session.mic_names)
    complete = sum({track.mic for track in take.tracks} >= mics for take in takes if take.name in (rows or by_take))
    return ArrivedSession(tuple(takes), Arrivals(entries, complete, tuple(problems)))


def _find(
    folder: Path,
    session: SessionDescription,
    known_takes: Iterable[str],
    check: Check,
    assigned: Mapping[str, tuple[str, str]],
) -> tuple[list[_File], list[str], list[str]]:
    """Return the checked file of each track, the paths of files that are none, and lines about those."""
    audio = PurePosixPath(session.files.folder)
    names = NamePattern(session.files.name, session.mic_names, list(known_takes))
    listing = list_files(folder, session.files.folder)
    unexpected, problems = [(audio / one).as_posix() for one in listing.unreadable], list(listing.problems)
    files: dict[tuple[str, str | None], _File] = {}
    for relative in listing.paths:
        path, fields = (audio / relative).as_posix(), names.match(relative)
        if path in assigned and assigned[path][1] in session.mic_names:
            fields = dict(zip(("take", "mic"), assigned[path], strict=True))
        if fields is None:
            unexpected.append(path)
            problems.append(f"{path}: fits no take and mic by {names.pattern!r}; rename or remove it")
            continue
        track = take, mic = fields.pop("take"), fields.pop("mic", None)
        if track in files:
            unexpected.append(path)
            of = f"take {take}, mic {mic}" if mic else f"take {take}"
            problems.append(f"{path}: a second file for {of}; {files[track].path} is used, remove one")
            continue
        files[track] = _File(take, mic, path, fields, check(folder / path))
    return list(files.values()), unexpected, problems


def _take(
    folder: Path, session: SessionDescription, row: SheetRow, files: list[_File]
) -> tuple[TakeFiles, list[str]]:
    tracks, problems = [], []
    for file in files:
        if file.facts.problem is None:
            channels, lines = _channels(folder, session, file)
            tracks += [TrackFile(mic, file.path, channel, file.facts) for mic, channel in channels.items()]
            problems += lines
    tracks.sort(key=lambda track: session.mic_names.index(track.mic))
    longest_s = max((track.facts.duration_s for track in tracks), default=SHORTEST_TAKE_S)
    if longest_s < SHORTEST_TAKE_S:
        problems.append(
            f"take {row.take}: {1000 * longest_s:.0f} ms long, too short for a note; was it recorded by mistake?"
        )
    filled, lines = _filled(row, files[0].fields, session.middle_c_octave)
    if session.natural_sounds == "none" and not row.natural_sounds:
        filled = replace(filled, natural_sounds="none")
    broken = tuple(f"{file.path}: {file.facts.problem}" for file in files if file.facts.broken)
    arriving = any(file.facts.arriving for file in files)
    return TakeFiles(row.take, tuple(tracks), filled, broken, arriving), problems + lines


def _channels(folder: Path, session: SessionDescription, file: _File) -> tuple[dict[str, int], list[str]]:
    """Return the channel, from 0, of each mic that the file holds: by iXML name, the rest by order."""
    if file.mic is not None:
        return {file.mic: 0}, []
    headers = read_headers(folder / file.path) if file.facts.channels > 1 else Headers()
    problems = [f"{file.path}: {headers.problem}"] if headers.problem else []
    free = list(range(file.facts.channels))
    # Reversed, so that of two channels of one name the first counts.
    names = {name.casefold(): channel - 1 for channel, name in reversed(headers.tracks.items())}
    named = {mic: names[mic.casefold()] for mic in session.mic_names if names.get(mic.casefold()) in free}
    free = [channel for channel in free if channel not in named.values()]
    rest = [mic for mic in session.mic_names if mic not in named]
    guessed = dict(zip(rest, free, strict=False))
    if named and guessed:
        order = ", ".join(f"{mic} = channel {channel + 1}" for mic, channel in guessed.items())
        problems.append(f"{file.path}: iXML does not name every mic; taken by order: {order}")
    return named | guessed, problems


def _filled(row: SheetRow, fields: dict[str, str], middle_c_octave: int) -> tuple[SheetRow, list[str]]:
    """Return the sheet's row, its gaps filled from the file name."""
    filled = replace(
        row,
        instrument=row.instrument or fields.get("instrument", ""),
        articulation=row.articulation or fields.get("articulation", ""),
        dynamic=row.dynamic or fields.get("dynamic", ""),
    )
    if "pitch" not in fields or row.pitches:
        return filled, []
    try:
        return replace(filled, pitches=(parse_pitch(fields["pitch"], middle_c_octave),)), []
    except SheetError as error:
        return filled, [f"take {row.take}: pitch in the file name: {error}"]


def _missing(
    session: SessionDescription, planned: list[str], takes: list[TakeFiles], files: list[_File]
) -> list[ArrivalProblem]:
    """Return the tracks that are not there; none of a take that is still arriving, none of a broken file."""
    there = {take.name: {track.mic for track in take.tracks} for take in takes}
    arriving = {take.name for take in takes if take.arriving}
    broken = {(file.take, file.mic) for file in files if file.facts.broken}
    return [
        ArrivalProblem("missing", take=take, mic=mic)
        for take in planned
        for mic in session.mic_names
        if take not in arriving and mic not in there.get(take, ()) and not {(take, mic), (take, None)} & broken
    ]


def _unlike(session: SessionDescription, files: list[_File]) -> list[ArrivalProblem]:
    takes: dict[str, dict[str, FileFacts]] = {}
    for file in files:
        if file.facts.problem is None:
            takes.setdefault(file.take, {})[file.path] = file.facts
    polyphonic = any(file.mic is None for file in files)
    return find_unlike(takes.values(), session.sample_rate_hz, len(session.mics) if polyphonic else 1)
