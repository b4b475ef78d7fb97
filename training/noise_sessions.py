"""Sessions with planted noises, built into a folder to be taken in: by either generator of test takes.

Out come the scenes, take by take, while their files are written: the truth for ``noise_evaluation.py``.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from training.noise_scenes import SceneRecipe, make_scene, open_stage
from training.noise_truth import PlantedNoise, Scene, audibility_of, mean_levels
from training.note_versions import drawn_lead_ins
from training.public_recordings import Recording
from training.sessions import write_description, write_sheet, write_tracks
from training.trial import sessions as trial_sessions
from training.trial.noisy_takes import NoiseClips, NoisyTake, noisy_takes
from training.trial.rooms import RATE_HZ
from triage.config import Strict
from triage.intake.sheet import SHEET_FILE


class TrialRecipe(Strict):
    """Sessions of the test generator: takes of each, and the sources of noise clips that are for testing alone."""

    seed: int
    sources: tuple[str, ...]
    over_floor_db: tuple[float, float]


def built_scenes(
    recipe: SceneRecipe,
    takes: int,
    recordings: Path,
    public: Sequence[Recording],
    folder: Path,
    rng: np.random.Generator,
    instrument: str,
) -> Iterator[tuple[str, Scene]]:
    """Write a session of the generator that training uses and yield each take's name and scene."""
    plans, stage = open_stage(recipe, recordings, instrument, rng, public)
    # whole parts: a cohort needs its neighbours
    plans = [replace(p, pitches=p.pitches[: max(1, recipe.most_notes // p.repetitions)]) for p in plans[:takes]]
    lead_ins = drawn_lead_ins(public, rng) if recipe.players else None
    (folder / "audio").mkdir()
    write_description(stage.recipe, folder / "session.toml")
    write_sheet(plans, folder / SHEET_FILE)
    for plan in plans:
        scene = make_scene(plan, stage, recipe, rng, lead_ins)
        write_tracks(plan.name, scene.tracks, stage.recipe, folder / "audio")
        yield plan.name, scene


def built_trial(
    recipe: TrialRecipe,
    takes: int,
    recordings: Path,
    public: Sequence[Recording],
    folder: Path,
    number: int,
    noisy: bool,
) -> Iterator[tuple[str, Scene]]:
    """Write a session of the test generator and yield each take's name and scene."""
    clips = NoiseClips(recordings, recipe.sources, public)
    seed = 2 * (1000 * recipe.seed + number) + noisy
    built = list(noisy_takes(public, clips, seed, takes, noisy, recipe.over_floor_db))
    (folder / "audio").mkdir()
    trial_sessions.write_description(folder, [one.plan for one in built])
    for take in built:
        tracks = dict(zip(take.microphones, take.tracks, strict=True))
        trial_sessions.write_tracks(folder, take.plan.name, tracks)
        yield take.plan.name, scene_of(take)


def scene_of(take: NoisyTake) -> Scene:
    """Return a take of the test generator with the truth about its noises."""
    floors = [mean_levels(track, RATE_HZ) for track in take.floors]
    planted = []
    for noise in take.noises:
        span = noise.tracks.shape[1]
        heard = audibility_of(noise.tracks, take.music[:, noise.at : noise.at + span], floors, RATE_HZ)
        order = np.argsort(noise.delays_s)
        nearest, second = (take.microphones[int(k)] for k in order[:2])
        first_s, loudest_s = noise.delays_s[int(order[0])], noise.delays_s[heard.mic]
        start_s = noise.at / RATE_HZ + max(heard.first_s - loudest_s, 0.0) + first_s
        end_s = max(noise.at / RATE_HZ + heard.last_s, start_s + 0.02)
        starts_s = tuple(start_s - first_s + delay for delay in noise.delays_s)
        planted.append(
            PlantedNoise(
                noise.kind,
                start_s,
                end_s,
                noise.where,
                nearest,
                starts_s,
                heard.exposed,
                heard.over_floor_db,
                second,
                noise.source,
            )
        )
    planted.sort(key=lambda one: one.start_s)
    return Scene(take.tracks, RATE_HZ, take.microphones, tuple(planted), take.notes_s, take.natural)
