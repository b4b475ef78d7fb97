"""Findings: what is wrong with a take whatever its notes sound like, and the noises near them, each with its spot.

Takes go in as ``place`` returns them; findings come out. The model gives the certainty of each: of a noise the
doubt of its note, of all else the share of such findings that were right.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from triage.domain.hit import Hit
from triage.domain.kinds import KINDS, TECHNICAL, UNCLEAR, kind_named, label
from triage.domain.pitch import pitch_name
from triage.domain.spot import Spot
from triage.domain.take import Take
from triage.judge.copied_tracks import copied_tracks
from triage.judge.cut_tails import TrackEnd, cut_tails
from triage.judge.lasting_noise import LastingNoise, outstanding
from triage.judge.track_faults import TrackFacts, track_faults
from triage.listen.stationary_noise import steady_dbfs
from triage.ranking.placing import expected

NOISE = "noise"  # basis of a finding whose doubt is its note's
USUAL = 0.9  # certainty of a finding that the model knows nothing of
BROKEN = 0.95
DIGITAL_CLICK = "digital-click"
LEAST_CLICKING, USUAL_CLICKS = (
    4,
    0.08,
)  # takes, and of an instrument's takes: from there on it is the instrument's sound
USUAL_CLICK = 0.03  # certainty that a click is a fault where the instrument's own sounds are taken for clicks
LONGEST_RING_S = 5.0  # after a note: the tail of a church
END_S = 0.3  # of a take, in which a noise would be taken for a tail


class Finding(NamedTuple):
    """A spot, and what its doubt rests on: ``certain[basis]``, or ``share`` of the noise doubt of note ``row``."""

    spot: Spot
    basis: str
    row: int = -1
    share: float = 1.0


def is_lasting(hit: Hit) -> bool:
    """Return whether a hit lasts the whole take."""
    return kind_named(hit.kind).lasting and hit.note is None and hit.start_s == 0.0


def is_of_a_note(hit: Hit) -> bool:
    """Return whether a hit is a noise near a note: no technical fault, and nothing that lasts the whole take."""
    return hit.kind not in TECHNICAL and not is_lasting(hit)


def findings_of(
    takes: Sequence[Take],
    row: Mapping[tuple[str, int], int],
    missing: Mapping[str, list[int]],
    broken: Mapping[str, list[str]],
) -> list[Finding]:
    """Return all findings of a session; ``row`` is each note's row by take and number."""
    of_files = (
        _of_take(take, "truncated", line, doubt=BROKEN) for take in takes for line in broken.get(take.name, ())
    )
    of_takes = [
        *_technical(takes),
        *_silent(takes),
        *_off_the_sheet(takes, missing),
        *_copied(takes),
        *_cut_tails(takes),
    ]
    return [*_noises(takes, row), *_lasting(takes), *of_takes, *of_files]


def _of_take(take: Take, kind: str, why: str, basis: str = "", doubt: float = USUAL, **numbers: Any) -> Finding:
    """Return a finding about a whole take."""
    return Finding(Spot(take.name, 0.0, take.duration_s or 0.0, None, kind, doubt, why, **numbers), basis or kind)


def _noises(takes: Sequence[Take], row: Mapping[tuple[str, int], int]) -> Iterator[Finding]:
    """Yield each noise hit near a note: its share is less than that of the note's strongest as it is less exposed."""
    for take in takes:
        near = [hit for hit in take.hits if is_of_a_note(hit) and (take.name, hit.note or 1) in row]
        strongest: dict[int, float] = {}
        for hit in near:
            strongest[hit.note or 1] = max(strongest.get(hit.note or 1, 0.0), hit.exposed or 0.0)
        for hit in near:
            note = hit.note or 1
            over = f"{hit.over_floor_db or 0:.0f} dB over the floor"
            why = f"{_named(hit, take)} in the {hit.mic} microphone, {over}"
            span = (hit.start_s, hit.end_s)
            spot = Spot(take.name, *span, hit.note, hit.kind, 0.0, why, hit.mic, hit.level_dbfs, None, "dBFS")
            yield Finding(spot, NOISE, row[take.name, note], (hit.exposed or 0.0) / max(strongest[note], 1e-9))


def _named(hit: Hit, take: Take) -> str:
    """Return what a hit is; a natural sound of playing as unwanted, or against how loud the player's others are."""
    if hit.natural and hit.found_kind is None and take.without_natural_sounds:
        return f"{label(hit.natural)}, where none is wanted,"
    if hit.natural and hit.usual_db is not None:
        return (
            f"{label(hit.natural)} much louder than this player's others (usually {hit.usual_db:.0f} dB to the note)"
        )
    return label(hit.kind) if hit.kind == UNCLEAR else kind_named(hit.kind).words


def _lasting(takes: Sequence[Take]) -> Iterator[Finding]:
    """Yield a finding for each hum, rumble or hiss that a take has and the session's others have not, or softer."""
    known: dict[tuple[str, str], list[LastingNoise]] = {}
    for take in takes:
        hits = {(hit.mic, hit.kind): hit for hit in take.hits if is_lasting(hit)}
        for floor in take.floors:
            for kind in (kind.name for kind in KINDS.values() if kind.lasting):
                hit = hits.get((floor.mic, kind))
                level_dbfs = hit.level_dbfs if hit else steady_dbfs(kind, floor.octaves_dbfs)
                over_db = (hit.over_floor_db or 0.0) if hit else None
                known.setdefault((floor.mic, kind), []).append(LastingNoise(take.name, level_dbfs, over_db))
    by_name = {take.name: take for take in takes}
    for (mic, kind), noises in known.items():
        for one in outstanding(noises):
            louder = "" if one.usual_dbfs is None else f", {one.level_dbfs - one.usual_dbfs:.0f} dB louder than usual"
            hit = next(h for h in by_name[one.take].hits if is_lasting(h) and (h.mic, h.kind) == (mic, kind))
            what = f"{kind} at {hit.hz:g} Hz" if hit.hz else kind
            why = f"{what} through the whole take in the {mic} microphone{louder}; {one.having} of {one.takes} takes"
            has = "has" if one.having == 1 else "have"
            numbers: dict[str, Any] = {"found": one.level_dbfs, "expected": one.usual_dbfs, "unit": "dBFS"}
            yield _of_take(by_name[one.take], kind, f"{why} {has} it", "lasting", mic=mic, **numbers)


def _technical(takes: Sequence[Take]) -> list[Finding]:
    """Return one finding for each kind of technical fault on each microphone of a take."""
    usual = instruments_that_click(takes)
    found = [
        _of_hits(take, hits, take.instrument in usual) for take in takes for hits in _technical_hits(take).values()
    ]
    known = {(one.spot.take, one.spot.mic, one.spot.kind) for one in found}
    return found + [one for one in _tracks(takes) if (one.spot.take, one.spot.mic, one.spot.kind) not in known]


def instruments_that_click(takes: Sequence[Take]) -> set[str | None]:
    """Return the instruments whose own sounds (a pluck, a key, a bow) are taken for clicks in the samples.

    A converter clicks now and then, whatever is played; what clicks in USUAL_CLICKS of an instrument's takes or more
    is the instrument.
    """
    clicking = Counter(take.instrument for take in takes if any(hit.kind == DIGITAL_CLICK for hit in take.hits))
    played = Counter(take.instrument for take in takes)
    return {name for name, count in clicking.items() if count >= max(LEAST_CLICKING, USUAL_CLICKS * played[name])}


def _technical_hits(take: Take) -> dict[tuple[str, str], list[Hit]]:
    found: dict[tuple[str, str], list[Hit]] = {}
    for hit in take.hits:
        if hit.kind in TECHNICAL:
            found.setdefault((hit.kind, hit.mic), []).append(hit)
    return found


def _of_hits(take: Take, hits: Sequence[Hit], clicks_usually: bool) -> Finding:
    first = hits[0]
    places = f", {len(hits)} places" if len(hits) > 1 else ""
    peak = f", true peak {first.level_dbfs:+.1f} dBTP" if first.level_dbfs is not None else ""
    why = f"{KINDS[first.kind].finding} in the {first.mic} microphone{places}{peak}"
    doubt, basis = USUAL, first.kind
    if first.kind == DIGITAL_CLICK and clicks_usually:
        doubt, basis, why = USUAL_CLICK, "usual-click", f"{why}, as in many takes of this instrument"
    numbers = (first.mic, first.level_dbfs, None, "dBTP" if peak else None)
    return Finding(Spot(take.name, first.start_s, first.end_s, first.note, first.kind, doubt, why, *numbers), basis)


def _tracks(takes: Sequence[Take]) -> Iterator[Finding]:
    """Yield a finding for each track that is unlike the others of its microphone."""
    facts = [
        TrackFacts(take.name, take.instrument or "", f.mic, f.level_dbfs, f.note_dbfs, f.lag_s, f.polarity, f.clear)
        for take in takes
        for f in take.floors
    ]
    by_name = {take.name: take for take in takes}
    for fault in track_faults(facts):
        numbers: dict[str, Any] = {
            "mic": fault.mic,
            "found": fault.found,
            "expected": fault.expected,
            "unit": fault.unit,
        }
        yield _of_take(by_name[fault.take], fault.kind, f"{fault.mic} microphone: {fault.why}", **numbers)


def _silent(takes: Sequence[Take]) -> Iterator[Finding]:
    """Yield a finding for each take that was read and holds no note at all."""
    for take in takes:
        if take.tracks and not take.notes and all(hit.kind != "dead-track" for hit in take.hits):
            yield _of_take(take, "dead-track", "no note found in the whole take")


def _copied(takes: Sequence[Take]) -> Iterator[Finding]:
    """Yield a finding for each take that holds the audio of another one."""
    digests = {take.name: [(t.mic, t.audio_digest) for t in take.tracks if t.audio_digest] for take in takes}
    by_name = {take.name: take for take in takes}
    for name, copy in copied_tracks(digests).items():
        where = "" if copy.whole else f" in the {' and '.join(copy.mics)} microphone{'s' * (len(copy.mics) > 1)}"
        others = f"take {copy.others[0]}" if len(copy.others) == 1 else f"takes {', '.join(copy.others)}"
        what = "one of the two" if len(copy.others) == 1 else "all but one"
        why = f"same audio as {others}{where}: {what} {'was' if len(copy.others) == 1 else 'were'} copied by mistake"
        yield _of_take(by_name[name], "copied", why, mic=None if copy.whole else copy.mics[0])


def _off_the_sheet(takes: Sequence[Take], missing: Mapping[str, list[int]]) -> Iterator[Finding]:
    """Yield a finding where a note is too few or too many against the sheet, or a whole take octaves off it."""
    for take in takes:
        wanted = len(expected(take))
        if gaps := missing.get(take.name):
            names = ", ".join(dict.fromkeys(pitch_name(pitch) for pitch in gaps))
            why = f"{len(gaps)} of {wanted} notes on the take sheet not found: {names}"
            numbers: dict[str, Any] = {"found": float(len(take.notes)), "expected": float(wanted), "unit": "notes"}
            yield _of_take(take, "wrong-note", why, "missing", **numbers)
        if octaves := _octaves_off(take):
            one = "an octave" if abs(octaves) == 1 else f"{abs(octaves)} octaves"
            why = f"every note sounds {one} {'above' if octaves > 0 else 'below'} the pitches on the sheet"
            numbers = {"found": 12.0 * octaves, "expected": 0.0, "unit": "semitones"}
            yield _of_take(take, "wrong-note", f"{why}: correct the row or record it again", "octave", **numbers)
        for note in take.notes:
            if wanted and note.sheet_midi is None:
                why = "a note more than the take sheet asks for"
                spot = Spot(take.name, note.start_s, note.end_s, note.number, "wrong-note", USUAL, why)
                yield Finding(spot, "extra")


def _cut_tails(takes: Sequence[Take]) -> Iterator[Finding]:
    """Yield a finding for each take that was stopped while its last note still rang, on its last note."""
    ends = [
        TrackEnd(take.name, take.instrument or "", floor.mic, floor.end_over_db, floor.end_fall_db_s, _after_s(take))
        for take in takes
        for floor in take.floors
        if take.notes and floor.end_over_db is not None and floor.end_fall_db_s is not None
    ]
    by_name = {take.name: take for take in takes}
    for cut in cut_tails(ends):
        take = by_name[cut.take]
        if _ends_ringing(take):
            last, end_s = take.notes[-1], take.duration_s or take.notes[-1].end_s
            where = f"in the {cut.mic} microphone ({cut.over_db:.0f} dB over its background)"
            why = f"the recording stops while the last note still rings {where}"
            numbers: dict[str, Any] = {"found": cut.over_db, "expected": cut.usual_db, "unit": "dB"}
            start_s = min(last.end_s, end_s)
            spot = Spot(take.name, start_s, end_s, last.number, "release", USUAL, why, cut.mic, **numbers)
            yield Finding(spot, "cut-off")


def _after_s(take: Take) -> float:
    """Return how long a take goes on after the sounding part of its last note."""
    return max(0.0, (take.duration_s or 0.0) - take.notes[-1].end_s)


def _ends_ringing(take: Take) -> bool:
    """Return whether what sounds at the end of a take can be its last note, and is no noise."""
    if not take.notes or take.duration_s is None or take.duration_s - take.notes[-1].end_s > LONGEST_RING_S:
        return False
    return all(hit.end_s < take.duration_s - END_S for hit in take.hits if is_of_a_note(hit))


def _octaves_off(take: Take) -> int:
    """Return how many octaves a take sounds above its row, as ``place`` found it."""
    pairs = [(n.pitch_midi, n.sheet_midi) for n in take.notes]
    away = {sounds - asked for sounds, asked in pairs if sounds is not None and asked is not None}
    return away.pop() // 12 if len(away) == 1 else 0
