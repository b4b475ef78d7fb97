"""When a take was recorded, by the recorder's clock.

In: the files of a take. Out: the time of its first sample, without a time zone (recorders write none), and its
source: the bext chunk, the iXML chunk, or only the file's time, which is that of its last change and may be a
copy's. Sources: EBU Tech 3285 (OriginationDate, OriginationTime); the iXML layout of field recorders.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path

from triage.intake.headers import Headers, read_headers
from triage.intake.integrity import FileFacts

EARLIEST_YEAR = 1990  # recorders whose clock was never set write 1904, 1970 or 1980
ORIGINATION = "%Y-%m-%d %H:%M:%S"


def recorded_at(files: Iterable[FileFacts]) -> tuple[datetime | None, str | None]:
    """Return when a take began, and the source of that time.

    Parameters
    ----------
    files : iterable of FileFacts
        The usable files of one take.

    Returns
    -------
    at : datetime or None
        Without a time zone; the earliest of the best source. None where there is no file.
    source : str or None
        "bext", "iXML" or "file time", in falling order of trust. By a file's time the take began as much earlier
        as it is long.
    """
    times: dict[str, list[datetime]] = {"bext": [], "iXML": [], "file time": []}
    for facts in files:
        headers = _headers(facts.path)
        found = {"bext": _parsed(headers.origination), "iXML": _parsed(headers.ixml_origination)}
        found["file time"] = _by_file_time(facts)
        for source, at in found.items():
            if at is not None:
                times[source].append(at)
    return next(((min(own), source) for source, own in times.items() if own), (None, None))


def _headers(path: Path) -> Headers:
    try:
        return read_headers(path)
    except OSError:  # the file is reported as broken elsewhere
        return Headers()


def _parsed(text: str | None) -> datetime | None:
    try:
        at = datetime.strptime(text or "", ORIGINATION)
    except ValueError:
        return None
    return at if at.year >= EARLIEST_YEAR else None


def _by_file_time(facts: FileFacts) -> datetime | None:
    if not facts.mtime_ns:
        return None
    try:
        return datetime.fromtimestamp(round(facts.mtime_ns / 1e9)) - timedelta(seconds=facts.duration_s)
    except (ValueError, OverflowError, OSError):  # a year that no calendar has
        return None
