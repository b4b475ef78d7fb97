"""Session folders to test on: session.toml, take_sheet.csv, audio/*.wav (48 kHz, 24 bit), truth.json.

``build_session`` plans the takes, plays each one dry, records it with three microphones in a room, spoils what is
planned, and writes what was done. The seed decides everything; ``natural_sounds`` adds puffs, keys and breaths, and
changes nothing else.
"""

import csv
import json
import shutil
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import soundfile

from training.public_recordings import Recording
from training.trial.jnd import JNDS, amount
from training.trial.natural import PlayingSounds
from training.trial.noises import LASTING, PASSING, Array, Clips, lasting
from training.trial.notes import TrialNote, load_note, scaled, spoilt
from training.trial.plan import PlannedNote, PlannedTake, plan_session
from training.trial.rooms import RATE_HZ, Microphone, in_room, microphones, record
from training.trial.technical import TECHNICAL, Tracks

REFERENCE_DB = -20.0  # level of a note at one metre, dry
BEFORE_S = 0.8
AFTER_S = 1.5
TAIL_S = 0.9  # of the sound after the last note's release that a take keeps at least
CLOSE_PEAK = 0.3  # of a note of usual level at the close microphone: -10 dBFS
LOUDEST_PEAK = 0.4  # of the loudest, before reflections add to it: no take is clipped unless that is its fault
# A passing noise of size 0 is 6 dB over the floor of the close microphone, a lasting one as loud as the floor.
PASSING_OVER_FLOOR_DB = 6.0


@dataclass(frozen=True)
class PlayedNote:
    """Where a note lies in its take, and what was played: cents off its own pitch, level in dB of the held part."""

    sheet_midi: int
    midi: int
    start_s: float
    end_s: float
    cents: float
    level_db: float
    source: str
    resampled_semitones: int


@dataclass(frozen=True)
class DryTake:
    """The dry sound of a take and its notes."""

    samples: Array
    notes: list[PlayedNote]


def build_session(
    recordings: Sequence[Recording],
    folder: Path,
    seed: int,
    natural_sounds: bool = False,
    clips: Path | None = None,
    takes: int | None = None,
) -> Path:
    """Write a session of test recordings into a new folder and return it."""
    rng = np.random.default_rng([seed, 1])
    notes = [recording for recording in recordings if recording.kind == "note"]
    planned = plan_session(notes, rng, takes)
    room = microphones(rng)
    sounds = playing_sounds(recordings, seed) if natural_sounds else None
    noises = Clips(clips)
    (folder / "audio").mkdir(parents=True)
    played = [play(take, np.random.default_rng([seed, 2, number]), sounds) for number, take in enumerate(planned)]
    loudest = max(float(np.abs(dry.samples).max()) for dry in played)
    drive = min(CLOSE_PEAK / (3 * 10 ** (REFERENCE_DB / 20)), LOUDEST_PEAK / loudest) / _direct(room[0])
    truth = {}
    for number, (take, dry) in enumerate(zip(planned, played, strict=True)):
        own = np.random.default_rng([seed, 3, number])
        tracks = {microphone.name: record(dry.samples, microphone, drive, own) for microphone in room}
        tracks = _with_faults(take, dry, tracks, room, noises, own)
        write_tracks(folder, take.name, tracks)
        truth[take.name] = _truth(take, dry)
    _spoil_files(folder, planned)
    write_description(folder, planned)
    (folder / "truth.json").write_text(json.dumps({"seed": seed, "takes": truth}, indent=1), encoding="utf-8")
    return folder


def play(
    take: PlannedTake,
    rng: np.random.Generator,
    sounds: PlayingSounds | None = None,
    natural: list[tuple[str, int, int]] | None = None,
) -> DryTake:
    """Return the dry sound of a take; ``natural`` collects kind, first and past-last sample of each natural sound."""
    played = [_played(note, rng) for note in take.notes]
    length = sum(len(dry.samples) for dry in played)
    samples = np.zeros(length + int((BEFORE_S + AFTER_S + sum(note.gap_s for note in take.notes)) * RATE_HZ))
    place = int(BEFORE_S * RATE_HZ)
    notes = []
    for note, dry in zip(take.notes, played, strict=True):
        samples[place : place + len(dry.samples)] += dry.samples
        notes.append(_described(note, dry, place))
        if sounds:
            laid = sounds.add(samples, place + dry.onset, dry.level_db, take.instrument)
            if natural is not None:
                natural += laid
        place += len(dry.samples) + int(note.gap_s * RATE_HZ)
    return DryTake(samples, notes)


def _played(note: PlannedNote, rng: np.random.Generator) -> TrialNote:
    """Return a note at the level of its plan, and then with its faults."""
    semitones = note.midi - (note.recording.midi or note.midi)
    dry = load_note(note.recording, note.length_s, note.cents + 100 * semitones)
    dry = scaled(dry, REFERENCE_DB + note.level_db - dry.level_db)
    for kind, size in note.faults.items():
        dry = spoilt(dry, kind, size, note.midi, rng)
    return dry


def _described(note: PlannedNote, dry: TrialNote, place: int) -> PlayedNote:
    cents = amount("sharp", note.faults.get("sharp", 0.0)) - amount("flat", note.faults.get("flat", 0.0))
    return PlayedNote(
        note.sheet_midi,
        note.midi,
        (place + dry.onset) / RATE_HZ,
        (place + dry.release) / RATE_HZ,
        note.cents + cents,
        dry.level_db,
        f"{note.recording.source}/{note.recording.path.name}",
        note.midi - (note.recording.midi or note.midi),
    )


def _with_faults(
    take: PlannedTake,
    dry: DryTake,
    tracks: Tracks,
    room: Sequence[Microphone],
    noises: Clips,
    rng: np.random.Generator,
) -> Tracks:
    for fault in take.faults:
        if fault.kind in PASSING or fault.kind in LASTING:
            noise = _noise_track(fault.kind, fault.size or 0.0, len(dry.samples), room[0], noises, rng)
            tracks = {mic.name: tracks[mic.name] + in_room(noise, mic) / _direct(room[0]) for mic in room}
        elif fault.kind in TECHNICAL:
            tracks = TECHNICAL[fault.kind](tracks, rng)
        elif fault.kind == "cut-off tail":
            kept_s = max(TAIL_S - amount(fault.kind, fault.size or 0.0), 0.02)
            end = int((dry.notes[-1].end_s + kept_s) * RATE_HZ)
            tracks = {name: track[:end] for name, track in tracks.items()}
    return tracks


def _direct(microphone: Microphone) -> float:
    """Return the gain of the direct sound."""
    return float(np.abs(microphone.response).max() * microphone.gain)


def _noise_track(
    kind: str, size: float, length: int, nearest: Microphone, noises: Clips, rng: np.random.Generator
) -> Array:
    """Return a noise over the length of a take, at its level over the floor of the nearest microphone."""
    over_floor_db = amount(kind, size)
    if kind in LASTING:
        return lasting(kind, length, rng) * 10 ** ((nearest.floor_dbfs + over_floor_db) / 20)
    track = np.zeros(length)
    sound = noises.noise(kind, rng)
    start = int(rng.uniform(0.1, 0.8) * max(length - len(sound), 1))
    sound = sound[: length - start]
    track[start : start + len(sound)] = sound
    return track * 10 ** ((nearest.floor_dbfs + over_floor_db + PASSING_OVER_FLOOR_DB) / 20)


def write_tracks(folder: Path, take: str, tracks: Tracks) -> None:
    """Write one file a microphone."""
    for name, track in tracks.items():
        path = folder / "audio" / f"{take}_{name}.wav"
        soundfile.write(path, np.clip(track, -1, 1 - 2**-23), RATE_HZ, subtype="PCM_24")


def _spoil_files(folder: Path, takes: Sequence[PlannedTake]) -> None:
    """Truncate files, and replace a take's files by those of another."""
    for number, take in enumerate(takes):
        kinds = [fault.kind for fault in take.faults]
        for path in sorted((folder / "audio").glob(f"{take.name}_*.wav")):
            if "truncated file" in kinds and path.stem.endswith("_main"):
                path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
            elif "copy of another take" in kinds:
                other = takes[number - 1 if number else number + 1].name
                shutil.copyfile(path.with_name(path.name.replace(take.name, other, 1)), path)


def _truth(take: PlannedTake, dry: DryTake) -> dict[str, object]:
    return {
        "reject": any(fault.rejects for fault in take.faults),
        "instrument": take.instrument,
        "faults": [
            asdict(fault) | {"rejects": fault.rejects, "unit": JNDS[fault.kind].unit if fault.kind in JNDS else None}
            for fault in take.faults
        ],
        "notes": [asdict(note) for note in dry.notes],
    }


def write_description(folder: Path, takes: Sequence[PlannedTake]) -> None:
    """Write session.toml and take_sheet.csv."""
    lines = ["[session]", f'name = "{folder.name}"', "date = 2026-01-01", f"sample_rate_hz = {RATE_HZ}"]
    lines += ["", "[files]", 'folder = "audio"', 'name = "{take}_{mic}.wav"']
    for name in ("close", "main", "room"):
        lines += ["", "[[mics]]", f'name = "{name}"', f'role = "{name}"']
    (folder / "session.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with (folder / "take_sheet.csv").open("w", newline="", encoding="utf-8") as file:
        sheet = csv.writer(file)
        sheet.writerow(("take", "instrument", "articulation", "dynamic", "pitches", "repetitions", "remark"))
        for take in takes:
            pitches = " ".join(map(str, take.pitches))
            sheet.writerow(
                (take.name, take.instrument, take.articulation, take.dynamic, pitches, take.repetitions, "")
            )


def playing_sounds(recordings: Sequence[Recording], seed: int) -> PlayingSounds:
    """Return the breaths and keys of the recordings, as players of one session make them."""
    return PlayingSounds(
        [recording for recording in recordings if recording.kind == "breath"],
        [recording for recording in recordings if recording.kind == "key"],
        np.random.default_rng([seed, 3]),
    )
