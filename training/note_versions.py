"""Takes for calibration, each rendered in several versions: as they should be, and with faults of every size.

The notes are real ones of training instruments, or those of invented voices; how evenly somebody plays, the room, the
microphones and the sounds that come with playing are drawn for each session. A version that is fine differs from the
next as one repetition does from another. All versions are analysed once; a session is then drawn by taking one
version of every take, so that a fault meets many different neighbours (``version_draws.py``).
"""

import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from scipy import signal

from training import note_editing as shaping
from training.noises import add_noise
from training.note_editing import Array
from training.performance_faults import FAULTS, Fault, semitones
from training.plans import Laid, NoiseBank, Stage, TakePlan
from training.public_recordings import Recording
from training.recipe import FaultsRecipe, NoiseRecipe, Recipe, SessionRecipe, TakesRecipe
from training.recordings import trimmed
from training.rooms import HallRecipe, MicRecipe, build_hall
from training.sessions import plan_takes, write_description, write_sheet, write_tracks
from training.synth import Voice, random_voice, render_note
from training.takes import lay
from training.technical_faults import MISHAPS
from triage.config import Strict

Range = tuple[float, float]
RATE_HZ = 48_000
FARTHEST_SEMITONES = 2  # a repetition without a recording of its own is a neighbour, retuned
NOISE, MISSING, EXTRA = "noise", "missing", "extra"
MOVES_M = 0.02  # of a seated player from take to take
PUFF_S, PUFF_BAND_HZ = 0.25, (10.0, 70.0)


class FaultSizes(Strict):
    """The sizes that a fault is planted with, log-uniform, and from which on a producer rejects it."""

    low: float
    high: float
    rejected_from: float


class VersionsRecipe(Strict):
    """How many versions a take has, and what is drawn for a session; pairs are the ends of a uniform draw."""

    fine: int
    spoilt: int
    faults: tuple[int, int]  # notes with a fault in a spoilt version
    noise_share: float  # of the faults
    technical_share: float  # of the spoilt versions, instead of other faults
    count_share: float  # of the spoilt versions: a note left out or played twice
    lead_in_share: float  # of the sessions: puffs, keys and breaths come with the notes
    cents: Range  # of one player's notes, standard deviation
    level_db: Range
    length: Range  # relative
    take_cents: Range
    drift_cents: float  # from the first take to the last, +-
    drift_db: float
    lengths_s: dict[str, Range]  # articulation -> what a player aims at
    rt60_s: Range
    critical_m: Range
    floor_dbfs: Range  # of the close microphone
    noise: NoiseRecipe
    takes: TakesRecipe
    sizes: dict[str, FaultSizes]


@dataclass
class CalibrationPlayer:
    """One player of a session: what their notes are made of, and how evenly they play.

    ``recordings`` maps dynamic to pitch to recordings; a ``voice`` plays where there are none. ``deviations`` holds
    how every note played so far differs from what was meant: cents, dB, natural logarithm of its length's ratio.
    """

    recordings: dict[str, dict[int, list[Recording]]]
    voice: Voice | None
    lengths_s: dict[str, float]
    cents: float
    level_db: float
    length: float
    deviations: list[tuple[float, float, float]] = field(default_factory=list)
    _read: dict[Path, Array] = field(default_factory=dict)

    def can_play(self, plan: TakePlan, midi_pitch: int) -> bool:
        """Return whether this pitch can be had without retuning."""
        return self.voice is not None or midi_pitch in self.recordings.get(plan.dynamic, {})

    def play(self, plan: TakePlan, midi_pitch: int, repetition: int, rng: np.random.Generator) -> Array:
        """Return one note, onset at sample 0: another recording for each repetition where there are several."""
        wave, off_cents = self._source(plan, midi_pitch, repetition, rng)
        cents, length, level_db = (float(rng.normal(0, sd)) for sd in (self.cents, self.length, self.level_db))
        wave = shaping.retune(wave, 2 ** ((cents - off_cents) / 1200))
        wave = shortened(wave, RATE_HZ, self.lengths_s[plan.articulation] * np.exp(length))
        end = shaping.sounding_end(wave, RATE_HZ)  # a short recording is not made longer
        self.deviations.append((cents, level_db, float(np.log(end / RATE_HZ / self.lengths_s[plan.articulation]))))
        usual_db = shaping.rms_db(wave[:end])
        return wave * shaping.amplitude(-24 - usual_db + level_db)

    def _source(self, plan: TakePlan, pitch: int, repetition: int, rng: np.random.Generator) -> tuple[Array, float]:
        """Return a note's samples and by how many cents they lie above the pitch that is wanted."""
        if self.voice is not None:
            style = "sustain" if plan.articulation == "sustained" else "staccato"
            return render_note(self.voice, pitch, plan.dynamic, style, rng, RATE_HZ), 0.0
        notes = self.recordings[plan.dynamic]
        near = [
            (abs(other - pitch), other, recording.repetition, str(recording.path), recording)
            for other in range(pitch - FARTHEST_SEMITONES, pitch + FARTHEST_SEMITONES + 1)
            for recording in notes.get(other, ())
        ]
        near.sort(key=lambda one: one[:4])
        own = [one for one in near if one[0] == 0]
        choices = own if len(own) > 1 else near[:3]
        _, other, _, _, recording = choices[repetition % len(choices)]
        return self._samples(recording), 100 * (other - pitch) + recording.tuning_cents

    def _samples(self, recording: Recording) -> Array:
        if recording.path not in self._read:
            note, rate_hz = trimmed(recording.path)
            note = shortened(note, rate_hz, 1.3 * max(self.lengths_s.values()))
            self._read[recording.path] = shaping.retune(note, rate_hz / RATE_HZ)
        return self._read[recording.path]


@dataclass(frozen=True)
class LeadIns:
    """The sounds that come with a player's notes: how often, and how loud against the note, in dB."""

    puff: tuple[float, float]
    key: tuple[float, float]
    breath: tuple[float, float]
    keys: Sequence[Recording]
    breaths: Sequence[Recording]

    def add(self, dry: Array, onset: int, note_db: float, rng: np.random.Generator) -> None:
        """Lay a note's own sounds before it, in place."""
        if rng.random() < self.puff[0]:
            self._lay(dry, _puff(rng), onset - round(rng.uniform(0.06, 0.16) * RATE_HZ), note_db + self.puff[1], rng)
        if self.keys and rng.random() < self.key[0]:
            at = onset - round(rng.uniform(0.03, 0.2) * RATE_HZ)
            self._lay(dry, _clip(self.keys, 0.3, rng), at, note_db + self.key[1], rng)
        if self.breaths and rng.random() < self.breath[0]:
            clip = _clip(self.breaths, 0.5, rng)
            self._lay(dry, clip, onset - len(clip) - round(0.04 * RATE_HZ), note_db + self.breath[1], rng)

    @staticmethod
    def _lay(dry: Array, sound: Array, at: int, level_db: float, rng: np.random.Generator) -> None:
        sound = sound * shaping.amplitude(level_db + rng.normal(0, 2.5) - shaping.peak_rms_db(sound, RATE_HZ))
        sound = sound[max(0, -at) :][: len(dry) - max(0, at)]
        dry[max(0, at) : max(0, at) + len(sound)] += sound


def shortened(note: Array, rate_hz: int, length_s: float) -> Array:
    """Return a note that sounds no longer; at most halved at a time, so that what is joined is its middle."""
    for _ in range(6):
        ratio = length_s / (shaping.sounding_end(note, rate_hz) / rate_hz)
        if ratio >= 0.97:  # longer than the recording is not to be had
            break
        note = shaping.relength(note, rate_hz, max(ratio, 0.5))
    return note


def _puff(rng: np.random.Generator) -> Array:
    """Return breath against a microphone: noise of a few tens of hertz that swells and dies."""
    count = round(PUFF_S * RATE_HZ)
    sos = signal.butter(3, (PUFF_BAND_HZ[0], rng.uniform(40, PUFF_BAND_HZ[1])), "band", fs=RATE_HZ, output="sos")
    noise = signal.sosfilt(sos, rng.standard_normal(2 * count))[count:]
    return np.asarray(noise * np.hanning(count) ** rng.uniform(0.7, 2.0))


def _clip(recordings: Sequence[Recording], longest_s: float, rng: np.random.Generator) -> Array:
    samples, rate_hz = trimmed(recordings[int(rng.integers(len(recordings)))].path)
    wave = shaping.retune(samples[: round(longest_s * rate_hz)], rate_hz / RATE_HZ)
    return shaping.faded(wave, RATE_HZ, 0.005, 0.05)


def late_sag(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """In tune until the last third, then ``size`` cents off at the end of the sounding part."""
    end = shaping.sounding_end(note, rate_hz)
    contour = np.clip((np.arange(len(note)) / end - 0.65) / 0.3, 0, 1)
    return shaping.glide(note, size * contour)


def vibrato(note: Array, rate_hz: int, rng: np.random.Generator, size: float) -> Array:
    """Waver by +-``size`` cents at 3 to 7 Hz."""
    time_s = np.arange(len(note)) / rate_hz
    turn = np.sin(2 * np.pi * rng.uniform(3, 7) * time_s + rng.uniform(0, 2 * np.pi))
    return shaping.glide(note, size * turn * np.clip((time_s - 0.05) / 0.1, 0, 1))


CALIBRATION_FAULTS = FAULTS | {
    fault.name: fault
    for fault in (
        Fault("late-sag", "intonation", late_sag, 12, 60, "cents", signed=True, least_s=0.4, needs="held"),
        Fault("vibrato", "steadiness", vibrato, 10, 60, "cents", least_s=0.4, needs="held"),
        Fault("octave", "wrong-note", semitones, 12, 12, "semitones", signed=True),
    )
}


def build_versions(
    recipe: VersionsRecipe,
    recordings: Sequence[Recording],
    noises: NoiseBank,
    instrument: str,
    folder: Path,
    seed: int,
) -> None:
    """Write a session folder that holds every version of every take as a take of its own, with truth.json.

    ``recordings`` are those of training, keys and breaths among them; an instrument without any is an invented voice.
    """
    rng = np.random.default_rng([seed, 11])
    player, parts, depth = calibration_player(recipe, recordings, instrument, rng)
    stage = _stage(recipe, player, noises, rng, seed)
    lead_ins = drawn_lead_ins(recordings, rng) if rng.random() < recipe.lead_in_share else None
    plans = plan_takes(parts, depth, recipe.takes, rng)[: recipe.takes.most]
    take_cents, drift = rng.uniform(*recipe.take_cents), rng.uniform(-1, 1, 2)
    (folder / "audio").mkdir(parents=True)
    rows, truth = [], {}
    for index, plan in enumerate(plans):
        time = index / max(len(plans) - 1, 1) - 0.5
        for version in range(recipe.fine + recipe.spoilt):
            own = np.random.default_rng([seed, 12, index, version])
            offset = (
                own.normal(0, take_cents) + drift[0] * recipe.drift_cents * time,
                drift[1] * recipe.drift_db * time,
            )
            named = replace(plan, name=f"{plan.name}v{version}")
            player.deviations.clear()
            tracks, own_truth = _render(named, stage, recipe, version >= recipe.fine, offset, lead_ins, own)
            own_truth["deviations"] = [
                {"cents": cents + offset[0], "level_db": level_db + offset[1], "length": length}
                for cents, level_db, length in player.deviations[: len(plan.expected())]
            ]
            write_tracks(named.name, tracks, stage.recipe, folder / "audio")
            rows.append(named)
            truth[named.name] = own_truth | {"take": plan.name, "version": version}
    write_description(stage.recipe, folder / "session.toml")
    write_sheet(rows, folder / "take_sheet.csv")
    (folder / "truth.json").write_text(json.dumps({"takes": truth}), encoding="utf-8")


def calibration_player(
    recipe: VersionsRecipe, recordings: Sequence[Recording], instrument: str, rng: np.random.Generator
) -> tuple[CalibrationPlayer, dict[tuple[str, str, str], list[int]], dict[tuple[str, str, str], int]]:
    """Return a player, the pitches of each part, and how many recordings a pitch of each part has."""
    layers: dict[tuple[str, str], dict[int, list[Recording]]] = defaultdict(lambda: defaultdict(list))
    for one in recordings:
        if one.instrument == instrument and one.midi is not None:
            layers[one.source, one.dynamic][one.midi].append(one)
    sources = sorted({source for source, _ in layers})
    source = sources[int(rng.integers(len(sources)))] if sources else ""
    notes = {dynamic: dict(own) for (of, dynamic), own in layers.items() if of == source}
    dynamics = sorted(dynamic for dynamic, own in notes.items() if len(own) >= 8) or ["mf"]
    chosen = [str(one) for one in rng.permutation(dynamics)[:2]]
    voice = None if notes else random_voice(rng)
    lowest = int(rng.integers(36, 72))
    pitches = {one: sorted(notes[one]) if notes else list(range(lowest, lowest + 16)) for one in chosen}
    depth = {one: max((len(own) for own in notes.get(one, {}).values()), default=4) for one in chosen}
    parts = {(instrument, way, one): pitches[one] for one in chosen for way in recipe.lengths_s}
    lengths = {way: float(rng.uniform(*span)) for way, span in recipe.lengths_s.items()}
    spread = [float(rng.uniform(*span)) for span in (recipe.cents, recipe.level_db, recipe.length)]
    player = CalibrationPlayer(notes, voice, lengths, spread[0], spread[1], spread[2])
    return player, parts, {part: max(depth[part[2]], 3) for part in parts}


def _stage(
    recipe: VersionsRecipe, player: CalibrationPlayer, noises: NoiseBank, rng: np.random.Generator, seed: int
) -> Stage:
    floor = float(rng.uniform(*recipe.floor_dbfs))
    places = ((0.35, 1.2), (2.5, 6.0))
    mics = tuple(
        MicRecipe(
            name=name,
            role=name,
            x_m=float(rng.uniform(*near)),
            y_m=float(rng.uniform(-1, 1)),
            level_db=float(rng.uniform(-6, 0)),
            shelf_db=float(rng.uniform(-4, 3)),
            floor_dbfs=floor + float(rng.uniform(-3, 6)),
            hum_dbfs=floor - 12 if rng.random() < 0.25 else None,
        )
        for name, near in zip(("close", "room"), places, strict=True)
    )
    hall = HallRecipe(rt60_s=float(rng.uniform(*recipe.rt60_s)), critical_m=float(rng.uniform(*recipe.critical_m)))
    whole = Recipe(
        session=SessionRecipe(name="versions", date=date(2026, 1, 1), sample_rate_hz=RATE_HZ),
        takes=recipe.takes,
        faults=FaultsRecipe(weights={}),
        noise=recipe.noise,
        hall=hall,
        mics=mics,
    )
    return Stage(whole, build_hall(mics, hall, RATE_HZ, seed), player, noises)


def drawn_lead_ins(recordings: Sequence[Recording], rng: np.random.Generator) -> LeadIns:
    """Return the sounds of playing of one player, with habits drawn at random."""
    keys = [one for one in recordings if one.kind == "key"]
    breaths = [one for one in recordings if one.kind == "breath"]
    levels = (rng.uniform(-22, 0), rng.uniform(-42, -20), rng.uniform(-50, -30))
    habits = [(float(rng.choice([0.0, rng.uniform(0.2, 0.9)], p=[0.3, 0.7])), float(level)) for level in levels]
    return LeadIns(habits[0], habits[1], habits[2], keys, breaths)


def _render(
    plan: TakePlan,
    stage: Stage,
    recipe: VersionsRecipe,
    spoilt: bool,
    offset: tuple[float, float],
    lead_ins: LeadIns | None,
    rng: np.random.Generator,
) -> tuple[Array, dict[str, Any]]:
    """Return a version's tracks and what is wrong with which of its notes."""
    expected = plan.expected()
    first = int(rng.integers(8))  # versions of a take are not made of the same recordings
    notes = [stage.player.play(plan, pitch, first + count, rng) for pitch, count in expected]
    notes = [shaping.retune(note, 2 ** (offset[0] / 1200)) * shaping.amplitude(offset[1]) for note in notes]
    faults: list[dict[str, Any]] = []
    technical = None
    what = rng.random() if spoilt else 1.0
    if what < recipe.technical_share:
        technical = str(rng.choice(sorted(MISHAPS)))
    elif what < recipe.technical_share + recipe.count_share:
        notes, faults = _miscounted(notes, rng)
    elif spoilt:
        faults = _plant(notes, plan, stage, recipe, rng)
    crowded = next((fault for fault in faults if fault["name"] == "crowded"), None)
    laid = lay(notes, crowded, stage, rng)
    dry = np.zeros(max(laid.total, *(at + len(note) for at, note in zip(laid.onsets, notes, strict=True))))
    for at, note in zip(laid.onsets, notes, strict=True):
        dry[at : at + len(note)] += note
        if lead_ins:
            lead_ins.add(dry, at, shaping.rms_db(note[: shaping.sounding_end(note, RATE_HZ)]), rng)
    place = (float(rng.normal(0, MOVES_M)), float(rng.normal(0, MOVES_M)))  # the walls stay where they are
    tracks = stage.hall.record(dry, place)[:, : laid.total]
    for fault in [fault for fault in faults if fault["name"] == NOISE]:
        tracks, planted = add_noise(tracks, laid, stage, rng)
        fault |= {"note": planted["note"], "size": planted["size"], "noise": planted["kind"]}
    tracks = tracks + stage.hall.floors(laid.total, rng)
    if technical:
        mishap = MISHAPS[technical]
        tracks, _ = mishap.spoil(tracks, RATE_HZ, rng, mishap.draw(rng))
    truth = {"faults": faults, "technical": technical, "notes": _onsets(laid, stage)}
    return np.clip(tracks, -1.0, 1.0), truth


def _miscounted(notes: list[Array], rng: np.random.Generator) -> tuple[list[Array], list[dict[str, Any]]]:
    at = int(rng.integers(len(notes)))
    if rng.random() < 0.5 and len(notes) > 2:
        return notes[:at] + notes[at + 1 :], [{"name": MISSING, "kind": MISSING, "note": None, "rejected": True}]
    return notes[: at + 1] + notes[at:], [{"name": EXTRA, "kind": EXTRA, "note": None, "rejected": True}]


def _plant(
    notes: list[Array], plan: TakePlan, stage: Stage, recipe: VersionsRecipe, rng: np.random.Generator
) -> list[dict[str, Any]]:
    """Spoil some of the notes in place, each in one way, and return what was done; noises come later."""
    count = int(rng.integers(recipe.faults[0], recipe.faults[1] + 1))
    faults: list[dict[str, Any]] = []
    for at in rng.permutation(len(notes))[:count].tolist():
        if rng.random() < recipe.noise_share:
            faults.append({"name": NOISE, "kind": NOISE, "note": None, "rejected": True})
            continue
        names = [name for name in sorted(recipe.sizes) if CALIBRATION_FAULTS[name].suits(notes[at], RATE_HZ)]
        if at == len(notes) - 1 or any(fault["name"] == "crowded" for fault in faults):
            names = [name for name in names if name != "crowded"]
        kinds = sorted({CALIBRATION_FAULTS[name].kind for name in names})
        wanted = str(rng.choice(kinds))  # a kind first, so that one with many faults comes no more often
        name = str(rng.choice([one for one in names if CALIBRATION_FAULTS[one].kind == wanted]))
        sizes = recipe.sizes[name]
        size = float(np.exp(rng.uniform(np.log(sizes.low), np.log(sizes.high))))
        rejected = size >= sizes.rejected_from if name != "short" else size <= sizes.rejected_from
        fault = CALIBRATION_FAULTS[name]
        signed_size = -size if fault.signed and rng.random() < 0.5 else size
        pitch, repetition = plan.expected()[at]
        if fault.kind == "wrong-note" and stage.player.can_play(plan, pitch + round(signed_size)):
            notes[at] = stage.player.play(plan, pitch + round(signed_size), repetition, rng)
        else:
            notes[at] = fault.plant(notes[at], RATE_HZ, rng, signed_size)
        faults.append({"name": name, "kind": fault.kind, "note": at + 1, "size": signed_size, "rejected": rejected})
    return faults


def _onsets(laid: Laid, stage: Stage) -> list[float]:
    return [at / RATE_HZ + stage.hall.delay_s(0) for at in laid.onsets]
