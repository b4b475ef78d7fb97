"""One take, rendered: a player's notes in a row, at most one fault, recorded by every microphone of a hall.

Out come tracks of shape (channel, sample), full scale 1.0, and the truth about them: every note's onset and
end, in seconds of the first microphone's track, and what was planted where.
"""

import numpy as np

from training import note_editing as shaping
from training.noises import add_noise
from training.note_editing import Array
from training.performance_faults import FAULTS
from training.plans import NOISE, Laid, Stage, TakePlan, Truth
from training.technical_faults import MISHAPS, Mishap

PLAYED_KINDS = frozenset(fault.kind for fault in FAULTS.values())


def render(plan: TakePlan, stage: Stage, kind: str | None, rng: np.random.Generator) -> tuple[Array, Truth] | None:
    """Render one take, with one fault of ``kind`` or, for None, without.

    Returns None where no note of the take can carry that kind (a wobble on a very short note).
    """
    notes = [stage.player.play(plan, pitch, count, rng) for pitch, count in plan.expected()]
    fault = _plant(notes, plan, stage, kind, rng) if kind in PLAYED_KINDS else None
    if kind in PLAYED_KINDS and fault is None:
        return None
    laid = lay(notes, fault, stage, rng)
    tracks = stage.hall.record(_mix(laid), seed=int(rng.integers(2**31)))[:, : laid.total]
    if kind == NOISE:
        tracks, fault = add_noise(tracks, laid, stage, rng)
    tracks = tracks + stage.hall.floors(laid.total, rng)
    if kind in MISHAPS:
        tracks, fault = _spoil(tracks, MISHAPS[kind], stage, rng)
    return np.clip(tracks, -1.0, 1.0), _truth(plan, laid, stage, fault)


def _plant(
    notes: list[Array], plan: TakePlan, stage: Stage, kind: str | None, rng: np.random.Generator
) -> Truth | None:
    """Spoil one note in place with a variant of ``kind`` and return what was done."""
    suited = [
        (fault, index)
        for fault in FAULTS.values()
        for index, note in enumerate(notes)
        if fault.kind == kind
        and fault.suits(note, stage.rate_hz)
        and not (fault.name == "crowded" and index == len(notes) - 1)
    ]
    if not suited:
        return None
    names = sorted({fault.name for fault, _ in suited})
    fault = FAULTS[str(rng.choice(names))]
    index = int(rng.choice([index for candidate, index in suited if candidate is fault]))
    size = fault.draw(rng, stage.recipe.faults.sizes)
    pitch, count = plan.expected()[index]
    other = pitch + round(size)
    if fault.kind == "wrong-note" and stage.player.can_play(plan, other):
        notes[index] = stage.player.play(plan, other, count, rng)
    else:
        notes[index] = fault.plant(notes[index], stage.rate_hz, rng, size)
    return {"kind": kind, "name": fault.name, "size": size, "unit": fault.unit, "note": index + 1, "mic": None}


def lay(notes: list[Array], fault: Truth | None, stage: Stage, rng: np.random.Generator) -> Laid:
    """Put the notes one after another, each with its gap after it has rung out."""
    rate_hz, takes = stage.rate_hz, stage.recipe.takes
    laid = Laid(notes, [], [], [], 0)
    at = round(takes.lead_s * rate_hz)
    for index, note in enumerate(notes, start=1):
        laid.onsets.append(at)
        laid.ends.append(at + shaping.sounding_end(note, rate_hz))
        laid.rings.append(at + shaping.sounding_end(note, rate_hz, shaping.RING_DROP_DB))
        crowded = fault is not None and fault["name"] == "crowded" and fault["note"] == index
        gap_s = fault["size"] if fault is not None and crowded else rng.uniform(*takes.gap_s)
        at = (laid.ends[-1] if crowded else laid.rings[-1]) + round(gap_s * rate_hz)
    laid.total = laid.rings[-1] + round((takes.ring_s + 0.5 * stage.recipe.hall.rt60_s) * rate_hz)
    return laid


def _mix(laid: Laid) -> Array:
    dry = np.zeros(max(laid.total, *(at + len(note) for at, note in zip(laid.onsets, laid.notes, strict=True))))
    for at, note in zip(laid.onsets, laid.notes, strict=True):
        dry[at : at + len(note)] += note
    return dry


def _spoil(tracks: Array, mishap: Mishap, stage: Stage, rng: np.random.Generator) -> tuple[Array, Truth]:
    size = mishap.draw(rng, stage.recipe.faults.sizes)
    out, where = mishap.spoil(tracks, stage.rate_hz, rng, size)
    fault = {"kind": mishap.kind, "name": mishap.kind, "size": size, "unit": mishap.unit, "note": None}
    mic = None if where.channel is None else stage.recipe.mics[where.channel].name
    span = {"start_s": where.start / stage.rate_hz, "end_s": where.stop / stage.rate_hz}
    return out, fault | span | {"mic": mic}


def _truth(plan: TakePlan, laid: Laid, stage: Stage, fault: Truth | None) -> Truth:
    """Return everything known about the take; times are those of the first microphone's track.

    A note's own ``fault`` is the player's; a noise hit stands in ``noises`` and names the note it follows.
    """
    shift_s, rate_hz = stage.hall.delay_s(0), stage.rate_hz
    notes: list[Truth] = [
        {
            "note": index + 1,
            "onset_s": laid.onsets[index] / rate_hz + shift_s,
            "end_s": laid.ends[index] / rate_hz + shift_s,
            "pitch": pitch,
            "fault": None,
        }
        for index, (pitch, _) in enumerate(plan.expected())
    ]
    if fault is not None and fault["name"] in FAULTS:
        note = notes[fault["note"] - 1]
        fault = {"start_s": note["onset_s"], "end_s": note["end_s"]} | fault
        note["fault"] = fault
    head = {"instrument": plan.instrument, "articulation": plan.articulation, "dynamic": plan.dynamic}
    noises = [fault] if fault is not None and fault["name"] == NOISE else []
    return head | {"duration_s": laid.total / rate_hz, "fault": fault, "notes": notes, "noises": noises}
