"""Findings: what is wrong with a take whatever its notes sound like, and the noises beside them, as spots to be.

Takes go in as ``place`` returns them; findings come out. How sure each one is says the model that judges: of a
noise its note's doubt, of all else the share of such findings that were one.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from triage.domain.hit import Hit
from triage.domain.kinds import KINDS, TECHNICAL, kind_named
from triage.domain.pitch import pitch_name
from triage.domain.spot import Spot
from triage.domain.take import Take
from triage.judge.track_faults import TrackFacts, track_faults
from triage.ranking.placing import expected

NOISE = "noise"  # basis of a finding whose doubt is its note's
USUAL = 0.9  # of a finding that the model knows nothing of


class Finding(NamedTuple):
    """A spot, and what its doubt rests on: ``certain[basis]``, or ``share`` of the noise doubt of note ``row``."""

    spot: Spot
    basis: str
    row: int = -1
    share: float = 1.0


def is_of_a_note(hit: Hit) -> bool:
    """Tell a noise beside a note from trouble in the samples and from what lasts for the whole take."""
    lasting = kind_named(hit.kind).lasting and hit.note is None and hit.start_s == 0.0
    return hit.kind not in TECHNICAL and not lasting


def findings_of(
    takes: Sequence[Take],
    row: Mapping[tuple[str, int], int],
    missing: Mapping[str, list[int]],
    broken: Mapping[str, list[str]],
) -> list[Finding]:
    """Return all findings of a session; ``row`` is each note's row by take and number."""
    found = [*_noises(takes, row), *_technical(takes), *_silent(takes), *_off_the_sheet(takes, missing)]
    return [*found, *_broken(takes, broken)]


def _noises(takes: Sequence[Take], row: Mapping[tuple[str, int], int]) -> list[Finding]:
    """Return each noise hit beside a note: less than its note's strongest as it is less exposed."""
    found = []
    for take in takes:
        heard = [hit for hit in take.hits if is_of_a_note(hit) and (take.name, hit.note or 1) in row]
        strongest: dict[int, float] = {}
        for hit in heard:
            strongest[hit.note or 1] = max(strongest.get(hit.note or 1, 0.0), hit.exposed or 0.0)
        for hit in heard:
            note = hit.note or 1
            over = f"{hit.over_floor_db or 0:.0f} dB over the floor"
            why = f"{kind_named(hit.kind).words} in the {hit.mic} microphone, {over}"
            spot = Spot(
                take.name, hit.start_s, hit.end_s, hit.note, hit.kind, 0.0, why, hit.mic, hit.level_dbfs, None, "dBFS"
            )
            share = (hit.exposed or 0.0) / max(strongest[note], 1e-9)
            found.append(Finding(spot, NOISE, row[take.name, note], share))
    return found


def _technical(takes: Sequence[Take]) -> list[Finding]:
    """Return one finding for each kind of technical trouble on each microphone of a take."""
    found = []
    for take in takes:
        seen: set[tuple[str, str]] = set()
        for hit in take.hits:
            if hit.kind in TECHNICAL and (hit.kind, hit.mic) not in seen:
                seen.add((hit.kind, hit.mic))
                count = sum(1 for other in take.hits if (other.kind, other.mic) == (hit.kind, hit.mic))
                places = f", {count} places" if count > 1 else ""
                peak = f", true peak {hit.level_dbfs:+.1f} dBTP" if hit.level_dbfs is not None else ""
                why = f"{KINDS[hit.kind].finding} in the {hit.mic} microphone{places}{peak}"
                found.append(
                    Finding(
                        Spot(
                            take.name,
                            hit.start_s,
                            hit.end_s,
                            hit.note,
                            hit.kind,
                            USUAL,
                            why,
                            hit.mic,
                            hit.level_dbfs,
                            None,
                            "dBTP" if peak else None,
                        ),
                        hit.kind,
                    )
                )
    known = {(one.spot.take, one.spot.mic, one.spot.kind) for one in found}
    return found + [one for one in _tracks(takes) if (one.spot.take, one.spot.mic, one.spot.kind) not in known]


def _tracks(takes: Sequence[Take]) -> list[Finding]:
    """Return a finding for each track that is unlike the others of its microphone."""
    facts = [
        TrackFacts(take.name, take.instrument or "", f.mic, f.level_dbfs, f.note_dbfs, f.lag_s, f.polarity, f.clear)
        for take in takes
        for f in take.floors
    ]
    length = {take.name: take.duration_s or 0.0 for take in takes}
    return [
        Finding(
            Spot(
                fault.take,
                0.0,
                length[fault.take],
                None,
                fault.kind,
                USUAL,
                f"{fault.mic} microphone {fault.why}",
                fault.mic,
                fault.found,
                fault.expected,
                fault.unit,
            ),
            fault.kind,
        )
        for fault in track_faults(facts)
    ]


def _silent(takes: Sequence[Take]) -> list[Finding]:
    """Return a finding for each take that was read and holds no note at all."""
    return [
        Finding(
            Spot(
                take.name, 0.0, take.duration_s or 0.0, None, "dead-track", USUAL, "no note found in the whole take"
            ),
            "dead-track",
        )
        for take in takes
        if take.tracks and not take.notes and all(hit.kind != "dead-track" for hit in take.hits)
    ]


def _off_the_sheet(takes: Sequence[Take], missing: Mapping[str, list[int]]) -> list[Finding]:
    """Return a finding where a note is too few or too many against the sheet."""
    found = []
    for take in takes:
        wanted = len(expected(take))
        if gaps := missing.get(take.name):
            names = ", ".join(dict.fromkeys(pitch_name(pitch) for pitch in gaps))
            why = f"{len(gaps)} of {wanted} notes on the take sheet not found: {names}"
            found.append(
                Finding(
                    Spot(
                        take.name,
                        0.0,
                        take.duration_s or 0.0,
                        None,
                        "wrong-note",
                        USUAL,
                        why,
                        None,
                        float(len(take.notes)),
                        float(wanted),
                        "notes",
                    ),
                    "missing",
                )
            )
        found += [
            Finding(
                Spot(
                    take.name,
                    note.start_s,
                    note.end_s,
                    note.number,
                    "wrong-note",
                    USUAL,
                    "a note more than the take sheet asks for",
                ),
                "extra",
            )
            for note in take.notes
            if wanted and note.sheet_midi is None
        ]
    return found


def _broken(takes: Sequence[Take], broken: Mapping[str, list[str]]) -> list[Finding]:
    length = {take.name: take.duration_s or 0.0 for take in takes}
    return [
        Finding(Spot(name, 0.0, length[name], None, "truncated", 0.95, line), "truncated")
        for name, lines in sorted(broken.items())
        if name in length
        for line in lines
    ]
