"""Takes to test noise detection on: real notes with the natural sounds of playing them, and noises in the room.

A take comes as its parts: the music as every microphone records it (natural sounds and floors included), and each
noise alone, from its own place, so that how far it can be heard is known. Noise clips come from whole sources of
noise.csv that training never met, from the breaths and keys of the test recordings, or are synthesised.
"""

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from training.public_recordings import Recording
from training.trial.noises import SYNTHESISED, Array, loudest
from training.trial.notes import load
from training.trial.plan import PlannedTake, plan_session
from training.trial.rooms import (
    DISTANCES_M,
    RATE_HZ,
    SPEED_OF_SOUND_M_S,
    Microphone,
    floor,
    in_room,
    response_between,
)
from training.trial.sessions import CLOSE_PEAK, REFERENCE_DB, DryTake, play, playing_sounds

# Category of noise.csv -> kind of noise; hiss, hum and machine are recordings of what lasts.
KINDS = {
    "body_knock": "knock",
    "door": "knock",
    "footstep": "knock",
    "hand_body": "knock",
    "slap": "knock",
    "thump": "knock",
    "creak": "creak",
    "click": "click",
    "crackle_debris": "other-noise",
    "scratch": "other-noise",
    "voice": "voice",
}
MADE = {"page": "paper", "footstep": "knock"}  # kind of a synthesised noise, where its name is another
MADE_SHARE = 0.35  # where there are clips as well
LONGEST_S, FADE_S = 0.9, 0.02
WHERE = {"gap": 0.5, "before": 0.08, "held": 0.12, "masked": 0.15}  # probability after, before and under each note
MASKED_DB = 30.0


@dataclass(frozen=True)
class NoisePart:
    """One noise: as every microphone records it [shape=(mic, sample)] from sample ``at`` of the take on."""

    kind: str
    source: str
    where: str  # gap, before (and into a note), held, masked
    at: int
    tracks: Array
    delays_s: tuple[float, ...]  # to each microphone


@dataclass(frozen=True)
class NoisyTake:
    """One take in its parts; times of notes and natural sounds are those at the player."""

    plan: PlannedTake
    music: Array  # (mic, sample)
    floors: Array  # (mic, sample), part of the music
    noises: tuple[NoisePart, ...]
    notes_s: tuple[tuple[float, float], ...]
    natural: tuple[tuple[str, float, float], ...]  # kind, start_s, end_s

    microphones: tuple[str, ...]

    @property
    def tracks(self) -> Array:
        """What the microphones record."""
        tracks = self.music.copy()
        for noise in self.noises:
            tracks[:, noise.at : noise.at + noise.tracks.shape[1]] += noise.tracks
        return np.clip(tracks, -1, 1 - 2**-23)


class NoiseClips:
    """Noise clips by kind: of these sources of noise.csv, of the recordings' breaths and keys, and synthesised."""

    def __init__(self, folder: Path, sources: Sequence[str], recordings: Sequence[Recording]) -> None:
        self._files: dict[str, list[Recording]] = {}
        for row in csv.DictReader((folder / "noise.csv").read_text(encoding="utf-8").splitlines()):
            if row["source"] in sources and row["category"] in KINDS:
                clip = Recording(folder / row["path"], "noise", "", row["source"])
                self._files.setdefault(KINDS[row["category"]], []).append(clip)
        for recording in recordings:
            if recording.kind in ("breath", "key"):
                kind = {"breath": "breath", "key": "mechanism"}[recording.kind]
                self._files.setdefault(kind, []).append(recording)
        self._made: dict[str, list[str]] = {}
        for name in SYNTHESISED:
            self._made.setdefault(MADE.get(name, name), []).append(name)
        self.kinds = sorted({*self._files, *self._made})

    def draw(self, rng: np.random.Generator) -> tuple[str, str, Array]:
        """Return kind, source and samples of one noise; every kind is as likely."""
        kind = str(rng.choice(self.kinds))
        files, made = self._files.get(kind, []), self._made.get(kind, [])
        if made and (not files or rng.random() < MADE_SHARE):
            return kind, "synthesised", SYNTHESISED[str(rng.choice(made))](rng)
        clip = files[int(rng.integers(len(files)))]
        return kind, clip.source, _sounding(load(clip))


@dataclass(frozen=True)
class TrialRoom:
    """A room of random size with three microphones at known places, and a player."""

    size_m: Array
    source_m: Array
    absorption: float
    places_m: tuple[Array, ...]
    microphones: tuple[Microphone, ...]

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> "TrialRoom":
        """Return a room with its microphones in front of the player."""
        size = np.array([rng.uniform(12, 26), rng.uniform(9, 18), rng.uniform(4, 10)])
        absorption, source = rng.uniform(0.12, 0.4), size * np.array([0.3, rng.uniform(0.35, 0.65), 0.2])
        places, mics = [], []
        for name, distances in DISTANCES_M.items():
            angle = rng.uniform(-0.6, 0.6)
            place = source + rng.uniform(*distances) * np.array([np.cos(angle), np.sin(angle), 0.05])
            places.append(np.clip(place, 0.5, size - 0.5))
            response = response_between(size, source, places[-1], absorption, rng)
            gain, level = float(10 ** (rng.normal(0, 1.5) / 20)), float(rng.uniform(-82, -64))
            mics.append(Microphone(name, response, gain, level, float(rng.uniform(-4, -1))))
        return cls(size, source, absorption, tuple(places), tuple(mics))

    def heard(
        self, dry: Array, place_m: Array, rng: np.random.Generator, gains_db: Array
    ) -> tuple[Array, tuple[float, ...]]:
        """Return a sound from a place as every microphone records it, with the delay to each in s."""
        ring = np.concatenate((dry, np.zeros(int(0.4 * RATE_HZ))))
        tracks, delays = [], []
        for microphone, at, gain_db in zip(self.microphones, self.places_m, gains_db, strict=True):
            response = response_between(self.size_m, place_m, at, self.absorption, rng)
            own = Microphone(microphone.name, response, microphone.gain, 0.0, 0.0)
            tracks.append(in_room(ring, own) * 10 ** (gain_db / 20))
            delays.append(float(np.linalg.norm(place_m - at)) / SPEED_OF_SOUND_M_S)
        return np.stack(tracks), tuple(delays)


def noisy_takes(
    recordings: Sequence[Recording],
    clips: NoiseClips,
    seed: int,
    takes: int,
    noisy: bool = True,
    over_floor_db: tuple[float, float] = (8.0, 45.0),
) -> Iterator[NoisyTake]:
    """Yield the takes of one session: all in one room, played without faults, with natural sounds.

    ``over_floor_db`` is the range of the noises' loudest 10 ms over the floor, at the microphone nearest to it.
    """
    rng = np.random.default_rng([seed, 21])
    planned = plan_session([one for one in recordings if one.kind == "note"], rng, 4 * takes)
    faultless = [take for take in planned if not take.faults][:takes]
    room = TrialRoom.drawn(rng)
    gains_db = rng.uniform(-6, 6, len(room.microphones))  # record levels, at random
    sounds, names = playing_sounds(recordings, seed), tuple(one.name for one in room.microphones)
    for number, take in enumerate(faultless):
        own = np.random.default_rng([seed, 22, number])
        natural: list[tuple[str, int, int]] = []
        dry = play(take, own, sounds, natural)
        music, floors = _recorded(dry, room, gains_db, own)
        noises = tuple(_noises(dry, music, floors, room, gains_db, clips, over_floor_db, own)) if noisy else ()
        spans = tuple((kind, first / RATE_HZ, last / RATE_HZ) for kind, first, last in natural)
        yield NoisyTake(take, music, floors, noises, tuple((n.start_s, n.end_s) for n in dry.notes), spans, names)


def _recorded(dry: DryTake, room: TrialRoom, gains_db: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return the music and, alone, the floors [shape=(mic, sample)] of a take."""
    direct = np.abs(room.microphones[0].response).max() * room.microphones[0].gain
    drive = CLOSE_PEAK / (3 * 10 ** (REFERENCE_DB / 20) * direct)
    floors = np.stack([floor(len(dry.samples), m.floor_dbfs, m.floor_slope_db, rng) for m in room.microphones])
    played = np.stack([in_room(dry.samples, microphone) for microphone in room.microphones])
    return played * drive * 10 ** (gains_db[:, None] / 20) + floors, floors


def _noises(
    dry: DryTake,
    music: Array,
    floors: Array,
    room: TrialRoom,
    gains_db: Array,
    clips: NoiseClips,
    over_floor_db: tuple[float, float],
    rng: np.random.Generator,
) -> Iterator[NoisePart]:
    for index in range(len(dry.notes)):
        for where, odds in WHERE.items():
            if rng.random() >= odds:
                continue
            kind, source, samples = clips.draw(rng)
            low, high, latest = _window(dry, index, where, len(dry.samples))
            longest = int(min(LONGEST_S * RATE_HZ, 0.8 * (high - low)))
            if longest < 0.05 * RATE_HZ:
                continue
            sound = _faded(samples[:longest])
            at = int(rng.integers(low, max(low + 1, min(latest, high - len(sound)))))
            place = room.places_m[int(rng.integers(len(room.places_m)))] + rng.uniform(-1.5, 1.5, 3) * (1, 1, 0.3)
            tracks, delays = room.heard(sound, np.clip(place, 0.3, room.size_m - 0.3), rng, gains_db)
            tracks = tracks[:, : music.shape[1] - at]
            peaks = [_peak_db(track) for track in tracks]
            mic = int(np.argmax(peaks))
            under = music[mic, at : at + max(len(sound), RATE_HZ // 20)]
            note = dry.notes[index]
            level = 20 * np.log10(np.std(music[mic, int(note.start_s * RATE_HZ) : int(note.end_s * RATE_HZ)]) + 1e-9)
            if where in ("gap", "before"):
                wanted = min(20 * np.log10(np.std(floors[mic])) + rng.uniform(*over_floor_db), level - 8)
            else:
                down = MASKED_DB if where == "masked" else rng.uniform(0.0, 30.0)
                wanted = 20 * np.log10(np.std(under) + 1e-9) - down
            yield NoisePart(kind, source, where, at, tracks * 10 ** ((wanted - peaks[mic]) / 20), delays)


def _window(dry: DryTake, index: int, where: str, total: int) -> tuple[int, int, int]:
    """Return the samples between which a noise may lie, and by which it has begun."""
    start, end = (int(time * RATE_HZ) for time in (dry.notes[index].start_s, dry.notes[index].end_s))
    if where in ("held", "masked"):
        return start + int(0.2 * RATE_HZ), end - int(0.1 * RATE_HZ), end
    if where == "before":
        return max(0, start - int(0.25 * RATE_HZ)), start + int(0.25 * RATE_HZ), start - int(0.08 * RATE_HZ)
    following = dry.notes[index + 1 : index + 2]
    later = int(following[0].start_s * RATE_HZ) if following else total
    return end + int(0.1 * RATE_HZ), later - int(0.15 * RATE_HZ), later


def _sounding(samples: Array) -> Array:
    """Return a clip from its first to its last 10 ms within 25 dB of its loudest."""
    width = RATE_HZ // 100
    parts = samples[: len(samples) // width * width].reshape(-1, width)
    loud = np.flatnonzero((parts**2).mean(axis=1) > (parts**2).mean(axis=1).max() * 10**-2.5)
    return samples[loud[0] * width : (loud[-1] + 1) * width] if len(loud) else samples


def _faded(samples: Array) -> Array:
    fade = min(int(FADE_S * RATE_HZ), len(samples) // 3)
    faded = samples / max(loudest(samples), 1e-9)
    if fade:
        faded[-fade:] *= np.linspace(1, 0, fade)
    return faded


def _peak_db(track: Array) -> float:
    """Return the level of the loudest 10 ms."""
    power = np.convolve(track**2, np.ones(480) / 480, "same")
    return float(10 * np.log10(power.max() + 1e-20))
