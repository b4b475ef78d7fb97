"""Scenes: takes with many noises of known time, kind, level and place, in memory, to evaluate noise detection.

Real or invented notes are laid out and recorded by the microphones of a hall as in built sessions; noises are added,
each from its own place. A Scene holds the tracks, shape (channel, sample), and the truth: every noise's start at the
microphone nearest to it, its level over the floor and its exposure, both computed from the separate noise and music.
"""

import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from training import note_editing as shaping
from training.demo_session import DemoRecipe, invented_stage
from training.noise_truth import Audibility, PlantedNoise, Scene, audibility_of, mean_levels
from training.noises import InventedNoise
from training.note_editing import Array
from training.note_versions import LeadIns, VersionsRecipe, calibration_player
from training.plans import Laid, NoiseBank, NoiseClip, Stage, TakePlan
from training.public_recordings import Recording
from training.recipe import Recipe
from training.recordings import RecordedNoise, RecordedPlayer, list_notes
from training.rooms import MicRecipe, Place, build_hall
from training.sessions import plan_takes
from training.synthetic_noises import MAKERS
from training.takes import lay
from triage.config import Strict, read_toml, shipped

INVENTED = "invented"
MASKED_DB = 30.0  # a masked control lies so far under its note


class SceneRecipe(Strict):
    """How the scenes of one run are built; pairs are (lowest, highest) of a uniform draw."""

    recipe: str
    seed: int
    scenes: int
    instruments: tuple[str, ...]
    noise_half: str
    made: float  # share of noises that are synthetic, not recorded
    rt60_s: tuple[float, float]
    mics: tuple[int, int] = (3, 3)  # the hall's own; otherwise placed at random
    over_floor_db: tuple[float, float] = (5.0, 45.0)  # broadband, at the microphone where it is loudest
    in_gap: float = 0.6  # probability of a noise after each note
    under_note: float = 0.2  # ... and while it is held
    masked: float = 0.0  # ... or of a masked control there
    under_note_db: tuple[float, float] = (0.0, 30.0)
    most_notes: int = 6
    without_sources: tuple[str, ...] = ()  # of noise clips: kept for the test
    players: str = ""  # file whose [versions] says how players of the public recordings play, with their own sounds


class MixedNoise:
    """Two banks, synthetic noises and recorded ones: ``share`` of the clips are of the first."""

    def __init__(self, first: NoiseBank, second: NoiseBank, share: float) -> None:
        self.first, self.second, self.share = first, second, share

    def draw(self, rng: np.random.Generator) -> NoiseClip:
        """Return one dry clip."""
        return (self.first if rng.random() < self.share else self.second).draw(rng)


def open_stage(
    config: SceneRecipe, recordings: Path, instrument: str, rng: np.random.Generator, public: Sequence[Recording] = ()
) -> tuple[list[TakePlan], Stage]:
    """Return the takes of one instrument and a hall to play them in, both drawn."""
    recipe = read_toml(shipped(config.recipe), Recipe)
    rt60_s = float(rng.uniform(*config.rt60_s))
    recipe = recipe.model_copy(
        update={
            "noise": recipe.noise.model_copy(
                update={"half": config.noise_half, "without_sources": config.without_sources}
            ),
            "hall": recipe.hall.model_copy(update={"rt60_s": rt60_s}),
            "mics": recipe.mics if config.mics == (3, 3) else _placed(recipe.mics, config.mics, rng),
        }
    )
    bank: NoiseBank = MixedNoise(
        InventedNoise(recipe.session.sample_rate_hz, MAKERS), RecordedNoise(recordings, recipe), config.made
    )
    seed = int(rng.integers(2**31))
    if instrument == INVENTED:
        parts = read_toml(shipped("configs/demo.toml"), DemoRecipe).parts
        plans, stage = invented_stage(DemoRecipe(**{**dict(recipe), "parts": parts}), seed)
        return plans, replace(stage, noise=bank)
    if config.players and any(one.instrument == instrument for one in public):
        ways = VersionsRecipe(**tomllib.loads(shipped(config.players).read_text(encoding="utf-8"))["versions"])
        own, pitches, many = calibration_player(ways, public, instrument, rng)
        recipe = recipe.model_copy(update={"takes": ways.takes})
        hall = build_hall(recipe.mics, recipe.hall, recipe.session.sample_rate_hz, seed)
        return plan_takes(pitches, many, ways.takes, rng), Stage(recipe, hall, own, bank)
    player = RecordedPlayer(list_notes(recordings, recipe, (instrument,)), recipe)
    parts_of = {part: sorted(pitches) for part, pitches in player.by_pitch.items()}
    depth = {part: max(map(len, pitches.values())) for part, pitches in player.by_pitch.items()}
    plans = plan_takes(parts_of, depth, recipe.takes, rng)
    hall = build_hall(recipe.mics, recipe.hall, recipe.session.sample_rate_hz, seed)
    return plans, Stage(recipe, hall, player, bank)


def _placed(mics: tuple[MicRecipe, ...], count: tuple[int, int], rng: np.random.Generator) -> tuple[MicRecipe, ...]:
    """Return the first microphone and others at random places, floors and levels."""
    chosen = [mics[0]]
    for k in range(int(rng.integers(count[0], count[1] + 1)) - 1):
        far = float(rng.uniform(1.5, 12.0))
        chosen.append(
            mics[0].model_copy(
                update={
                    "name": f"mic{k + 2}",
                    "role": "main",
                    "x_m": far,
                    "y_m": float(rng.uniform(-3, 3)),
                    "level_db": float(rng.uniform(-9, 0)),
                    "shelf_db": float(rng.uniform(-4, 1)),
                    "floor_dbfs": float(rng.uniform(-80, -64)),
                }
            )
        )
    return tuple(chosen)


def make_scene(
    plan: TakePlan, stage: Stage, config: SceneRecipe, rng: np.random.Generator, lead_ins: LeadIns | None = None
) -> Scene:
    """Render one take with its noises, and with the player's own sounds before the notes."""
    played = plan.expected()[: config.most_notes]
    laid = lay([stage.player.play(plan, pitch, count, rng) for pitch, count in played], None, stage, rng)
    dry = np.zeros(max(laid.total, *(at + len(note) for at, note in zip(laid.onsets, laid.notes, strict=True))))
    for at, note in zip(laid.onsets, laid.notes, strict=True):
        dry[at : at + len(note)] += note
        if lead_ins:
            lead_ins.add(dry, at, shaping.rms_db(note[: shaping.sounding_end(note, stage.rate_hz)]), rng)
    music = stage.hall.record(dry, seed=int(rng.integers(2**31)))[:, : laid.total]
    music = music + stage.hall.floors(laid.total, rng)
    tracks, planted = music.copy(), []
    for index in range(len(laid.notes)):
        for where in _where(config, rng):
            one = _plant(index, where, laid, music, stage, config, rng)
            if one is not None:
                noise, at, truth = one
                tracks[:, at : at + noise.shape[1]] += noise
                planted.append(truth)
    shift_s = stage.hall.delay_s(0)
    notes_s = tuple(
        (a / stage.rate_hz + shift_s, b / stage.rate_hz + shift_s)
        for a, b in zip(laid.onsets, laid.ends, strict=True)
    )
    names = tuple(mic.name for mic in stage.recipe.mics)
    return Scene(
        np.clip(tracks, -1, 1), stage.rate_hz, names, tuple(sorted(planted, key=lambda p: p.start_s)), notes_s
    )


def _where(config: SceneRecipe, rng: np.random.Generator) -> list[str]:
    chosen = ["gap"] if rng.random() < config.in_gap else []
    draw = rng.random()
    if draw < config.under_note:
        return [*chosen, "held"]
    return [*chosen, "masked"] if draw < config.under_note + config.masked else chosen


def _plant(
    index: int, where: str, laid: Laid, music: Array, stage: Stage, config: SceneRecipe, rng: np.random.Generator
) -> tuple[Array, int, PlantedNoise] | None:
    """Return one noise as all microphones record it, the sample that it starts at, and its truth."""
    rate_hz, clip = stage.rate_hz, stage.noise.draw(rng)
    low, high = _window(laid, index, where, rate_hz)
    longest = min(round(0.9 * rate_hz), int((0.8 if where == "gap" else 0.6) * (high - low)))
    if longest < 0.05 * rate_hz:
        return None
    dry = shaping.faded(clip.waveform[:longest], rate_hz, 0.001, min(0.04, 0.3 * longest / rate_hz))
    at = int(rng.integers(low, max(low + 1, high - len(dry))))
    near = stage.recipe.mics[int(rng.integers(len(stage.recipe.mics)))]
    place = (near.x_m + rng.uniform(-1.5, 1.5), near.y_m + rng.uniform(-1.5, 1.5))
    tracks = stage.hall.record(dry, place, seed=int(rng.integers(2**31)))[:, : music.shape[1] - at]
    levels = [shaping.peak_rms_db(track, rate_hz) for track in tracks]
    mic = int(np.argmax(levels))
    note = music[mic, laid.onsets[index] : laid.ends[index]]
    if where == "gap":
        floor_dbfs = stage.recipe.mics[mic].floor_dbfs
        level_db = min(floor_dbfs + rng.uniform(*config.over_floor_db), shaping.rms_db(note) - 8.0)
    else:
        under = music[mic, at : at + max(len(dry), round(0.05 * rate_hz))]  # a plucked note is softer by then
        level_db = shaping.rms_db(under) - (MASKED_DB if where == "masked" else rng.uniform(*config.under_note_db))
    tracks = tracks * shaping.amplitude(level_db - levels[mic])
    floors = [_floor_levels(one.floor_dbfs, rate_hz) for one in stage.recipe.mics]
    audibility = audibility_of(tracks, music[:, at : at + tracks.shape[1]], floors, rate_hz)
    return tracks, at, _truth(clip.kind, where, at / rate_hz, dry, place, audibility, stage)


def _window(laid: Laid, index: int, where: str, rate_hz: int) -> tuple[int, int]:
    """Return the samples between which a noise may lie: in the gap after a note, or in the note."""
    onset, end = laid.onsets[index], laid.ends[index]
    if where != "gap":
        return onset + round(0.2 * rate_hz), end - round(0.1 * rate_hz)
    later = laid.onsets[index + 1] if index + 1 < len(laid.onsets) else laid.total
    return end + round(0.1 * rate_hz), later - round(0.15 * rate_hz)


def _truth(
    kind: str, where: str, at_s: float, dry: Array, place: Place, audibility: Audibility, stage: Stage
) -> PlantedNoise:
    """Return the truth about one noise; it starts where it is audible, as a creak may begin very softly."""
    delays = [stage.hall.delay_s(k, place) for k in range(len(stage.recipe.mics))]
    lead_s = shaping.onset_sample(dry, stage.rate_hz) / stage.rate_hz
    inaudible_s = max(0.0, audibility.first_s - lead_s - delays[audibility.mic])
    starts_s = tuple(at_s + lead_s + inaudible_s + delay for delay in delays)
    first = int(np.argmin(delays))
    end_s = max(at_s + audibility.last_s - delays[audibility.mic] + delays[first], starts_s[first] + 0.02)
    nearest = stage.recipe.mics[first].name
    exposed, over_floor_db = audibility.exposed, audibility.over_floor_db
    return PlantedNoise(kind, starts_s[first], end_s, where, nearest, starts_s, exposed, over_floor_db)


@cache
def _floor_levels(floor_dbfs: float, rate_hz: int) -> np.ndarray:
    """Return the level of each mel group in a microphone's own noise, in dB."""
    noise = shaping.coloured_noise(4 * rate_hz, rate_hz, np.random.default_rng(0))
    return mean_levels(noise * shaping.amplitude(floor_dbfs), rate_hz)


def scenes(config: SceneRecipe, recordings: Path, part: int = 0, parts: int = 1) -> Iterator[Scene]:
    """Yield the scenes of a run that fall to one worker of several, the same whatever their number."""
    per_stage = 6
    for number in range(part, -(-config.scenes // per_stage), parts):
        rng = np.random.default_rng([config.seed, 11, number])
        instrument = config.instruments[number % len(config.instruments)]
        plans, stage = open_stage(config, recordings, instrument, rng)
        chosen = rng.permutation(len(plans))[: min(per_stage, config.scenes - number * per_stage)]
        for index in chosen:
            yield make_scene(plans[int(index)], stage, config, rng)
