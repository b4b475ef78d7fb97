"""Copied tracks: the same audio in two takes of a session, where a file was copied or renamed by mistake.

In: each take's tracks with a digest of their samples. Out: for each take that shares audio with others, with which.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import NamedTuple


class Copy(NamedTuple):
    """Audio that a take shares with others: on which of its microphones, with which takes, and whether it is all."""

    mics: tuple[str, ...]
    others: tuple[str, ...]
    whole: bool


def copied_tracks(digests: Mapping[str, Sequence[tuple[str, str]]]) -> dict[str, Copy]:
    """Return the takes that hold audio of another take.

    Parameters
    ----------
    digests : mapping of str to sequence of (str, str)
        Take to (microphone, digest) of each track that is known and is not silent. Two recordings of the same
        playing, in the same room and by the same microphone, never share a digest: their noise differs.

    Returns
    -------
    dict of str to Copy
        Microphones and takes in the order of ``digests``.
    """
    holders: dict[str, list[str]] = defaultdict(list)
    for take, tracks in digests.items():
        for digest in dict.fromkeys(digest for _, digest in tracks):
            holders[digest].append(take)
    found = {}
    for take, tracks in digests.items():
        shared = [(mic, digest) for mic, digest in tracks if len(holders[digest]) > 1]
        if shared:
            others = {other for _, digest in shared for other in holders[digest]} - {take}
            ordered = tuple(name for name in digests if name in others)
            found[take] = Copy(tuple(mic for mic, _ in shared), ordered, len(shared) == len(tracks))
    return found
