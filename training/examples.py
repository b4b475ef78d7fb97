"""Examples: built sessions, listened to, with what is known to be wrong with each note.

A recipe and an order go in; the takes as the tool hears them and the truth of the builder come out. The audio lives
in a temporary folder and is gone afterwards; what was heard can be kept in a cache folder, with the frames of the
microphone that was judged, so that another encoder can be tried without building and measuring again.
"""

import hashlib
import json
import pickle
import tempfile
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import torch
from pydantic import Field

from training import general_embedding
from training.demo import DemoRecipe, invented_stage
from training.recipe import Recipe
from training.recordings import RecordedNoise
from training.rooms import MicRecipe
from training.sessions import build, write_session
from triage.analysis.encoding import BESIDE, encode, encoder_in_use
from triage.analysis.take import analyse_take, analysis_key
from triage.analysis.workers import cores
from triage.config import Strict, read_toml, shipped
from triage.domain.note import Note
from triage.domain.take import Take
from triage.intake import wav
from triage.intake.arrivals import TakeFiles, check_arrivals
from triage.intake.session import read_session
from triage.intake.sheet import read_sheet
from triage.listen.embed import Encoder, FixedEmbedding
from triage.listen.encoder import load_encoder
from triage.listen.logmel import LogMel
from triage.listen.noise_network import NoiseDetector, load_detector
from triage.listen.notes import NoteSegment

INVENTED = "invented"  # stands for the synthesised instruments of configs/demo.toml
SHIPPED = ""  # of the encoders: the one in models/


@dataclass(frozen=True)
class Heard:
    """One built session as the tool heard it, and the builder's truth for each take by name.

    Notes hold the vectors of every encoder that was asked for; ``frames`` [shape=(mel, frame), float16] are those of
    the microphone that each take was judged on; ``encoder`` is the one whose vectors count.
    """

    takes: list[Take]
    truth: dict[str, dict[str, Any]]
    a4_hz: float
    frames: dict[str, np.ndarray]
    encoder: str = FixedEmbedding.name

    def only(self, encoder: str | None = None) -> "Heard":
        """Return the session as if one encoder alone had heard it: the one that counts, or the named one."""
        name = self.encoder if encoder is None else encoder
        kept = {name, name + BESIDE}
        return replace(
            self,
            encoder=name,
            takes=[
                replace(
                    take,
                    notes=tuple(
                        replace(note, embeddings={key: own for key, own in note.embeddings.items() if key in kept})
                        for note in take.notes
                    ),
                )
                for take in self.takes
            ],
        )


class Elsewhere(Strict):
    """Another room and other microphones for the same music."""

    rt60_s: float
    critical_m: float
    mics: tuple[MicRecipe, ...]


@dataclass(frozen=True)
class Order:
    """What to build: who plays, share of spoilt takes, which part of the noise clips, how many takes, the hall."""

    seed: int
    instruments: tuple[str, ...]
    share: float
    half: str
    most: int
    rt60_s: float
    weights: dict[str, float] = field(default_factory=dict)
    sizes: dict[str, tuple[float, float]] = field(default_factory=dict)
    elsewhere: Elsewhere | None = None

    def applied(self, recipe: Recipe) -> Recipe:
        """Return the recipe with the order's own numbers in it."""
        faults = {"share": self.share, "weights": self.weights or recipe.faults.weights, "sizes": self.sizes}
        away = self.elsewhere
        hall = {"rt60_s": away.rt60_s, "critical_m": away.critical_m} if away else {"rt60_s": self.rt60_s}
        return recipe.model_copy(
            update={
                "faults": recipe.faults.model_copy(update=faults),
                "noise": recipe.noise.model_copy(update={"half": self.half}),
                "takes": recipe.takes.model_copy(update={"most": self.most}),
                "hall": recipe.hall.model_copy(update=hall),
                "mics": away.mics if away else recipe.mics,
            }
        )


@dataclass(frozen=True)
class Ears:
    """What to listen with: each instrument's encoder and noise network, and a general embedding beside them.

    ``encoders`` and ``noises`` map an instrument to a file of weights; where none is named, the shipped one listens.
    """

    encoders: Mapping[str, str] = field(default_factory=dict)
    noises: Mapping[str, str] = field(default_factory=dict)
    general: bool = False

    def encoder(self, order: Order) -> Encoder:
        """Return the encoder for the instrument of a session."""
        return _encoder(self.encoders.get(order.instruments[0], SHIPPED))

    def detector(self, order: Order) -> NoiseDetector:
        """Return the noise network for the instrument of a session."""
        file = self.noises.get(order.instruments[0])
        return load_detector(Path(file)) if file else load_detector()


class EarsConfig(Strict):
    """Networks that have met neither an instrument nor its noise clips: instrument -> file in --encoders."""

    encoders: dict[str, str] = Field(default_factory=dict)
    noise_networks: dict[str, str] = Field(default_factory=dict)


def ears(folder: Path | None, files: EarsConfig, general: bool = False) -> Ears:
    """Return what to listen with: the files that a recipe names, in ``folder``, if one is given."""
    if folder is None:
        return Ears(general=general)
    encoders, noises = (
        {name: str(folder / file) for name, file in own.items()} for own in (files.encoders, files.noise_networks)
    )
    return Ears(encoders, noises, general)


@lru_cache(maxsize=4)
def _encoder(file: str) -> Encoder:
    return load_encoder(Path(file)) if file != SHIPPED else encoder_in_use()


def hear(recipe_file: Path, recordings: Path, order: Order, by: Ears | None = None) -> Heard:
    """Build one session in a temporary folder, listen to it with the tool's own code, and return what was heard."""
    torch.set_num_threads(1)
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        _build(recipe_file, recordings, order, folder)
        by = by or Ears()
        heard = listen_to(folder, by.detector(order))
        return with_general(heard, folder) if by.general else heard


def _build(recipe_file: Path, recordings: Path, order: Order, folder: Path) -> None:
    recipe = order.applied(read_toml(recipe_file, Recipe))
    if order.instruments == (INVENTED,):
        parts = read_toml(shipped("configs/demo.toml"), DemoRecipe).parts
        noise = RecordedNoise(recordings, recipe)
        plans, stage = invented_stage(DemoRecipe(**{**dict(recipe), "parts": parts}), order.seed, noise)
        write_session(plans, stage, folder, order.seed)
    else:
        build(recipe, folder, recordings, order.seed, order.instruments)


def listen_to(folder: Path, detector: NoiseDetector | None = None) -> Heard:
    """Listen to a built session; the notes' vectors are the simple ones."""
    session = read_session(folder)
    reference_mic = session.reference_mic_name()
    takes, frames = [], {}
    for take in _roll(folder):
        heard = analyse_take(take, folder, reference_mic, session.a4_hz, FixedEmbedding(), detector)
        samples, rate_hz = _samples(take, folder, heard.measured_mic or reference_mic)
        frames[take.name] = LogMel(rate_hz)(samples[None])[0].astype(np.float16)
        takes.append(heard)
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["takes"]
    return Heard(takes, truth, session.a4_hz, frames)


def with_general(heard: Heard, folder: Path) -> Heard:
    """Return a session with the general embedding's vectors added; its audio is in ``folder``."""
    audio, takes = {take.name: take for take in _roll(folder)}, []
    reference_mic = read_session(folder).reference_mic_name()
    for take in heard.takes:
        samples, rate_hz = _samples(audio[take.name], folder, take.measured_mic or reference_mic)
        vectors = general_embedding.general_vectors(samples, rate_hz, notes_of(take))
        takes.append(_with(take, [{general_embedding.NAME: vector} for vector in vectors]))
    return replace(heard, takes=takes)


def _roll(folder: Path) -> list[TakeFiles]:
    session = read_session(folder)
    return list(check_arrivals(folder, session, read_sheet(folder / "take_sheet.csv", session.middle_c_octave)).takes)


def _samples(take: TakeFiles, folder: Path, mic: str) -> tuple[np.ndarray, int]:
    track = next(track for track in take.tracks if track.mic == mic)
    blocks = list(wav.blocks(folder / track.path, [track.channel]))
    return np.concatenate(blocks, axis=1)[0], track.facts.sample_rate_hz


def notes_of(take: Take) -> list[NoteSegment]:
    """Return a take's notes as the encoders want them."""
    return [NoteSegment(n.start_s, n.end_s, n.ring_end_s or n.end_s, float("nan")) for n in take.notes]


def _with(take: Take, more: list[dict[str, np.ndarray]]) -> Take:
    notes: list[Note] = [
        replace(note, embeddings={**note.embeddings, **own}) for note, own in zip(take.notes, more, strict=True)
    ]
    return replace(take, notes=tuple(notes))


def encoded(heard: Heard, encoder: Encoder) -> Heard:
    """Return a session with one encoder's vectors and evidence added; they are the ones that count."""
    takes = [
        _with(take, encode(encoder, heard.frames[take.name].astype(np.float32), notes_of(take)))
        for take in heard.takes
    ]
    return replace(heard, takes=takes, encoder=encoder.name)


def hear_all(
    recipe_file: Path, recordings: Path, orders: list[Order], cache: Path | None = None, by: Ears | None = None
) -> list[Heard]:
    """Hear several sessions, one a core; those found in ``cache`` are not built again."""
    work = [(recipe_file, recordings, order, cache, by or Ears()) for order in orders]
    if len(work) == 1:
        return [_heard(*work[0])]
    with ProcessPoolExecutor(min(cores(), len(work)), mp_context=get_context("spawn")) as pool:
        return list(pool.map(_heard, *zip(*work, strict=True)))


def _heard(recipe_file: Path, recordings: Path, order: Order, cache: Path | None, by: Ears) -> Heard:
    torch.set_num_threads(1)
    return encoded(_cached(recipe_file, recordings, order, cache, by), by.encoder(order))


def _cached(recipe_file: Path, recordings: Path, order: Order, cache: Path | None, by: Ears) -> Heard:
    """Return a session as it was heard, from the cache where it was heard before with as many ears."""
    general = by.general
    if cache is None:
        return hear(recipe_file, recordings, order, by)
    made = f"{analysis_key()} {by.detector(order).name} {order} {recipe_file.read_text(encoding='utf-8')}"
    key = hashlib.sha256(made.encode()).hexdigest()[:16]
    name = f"{'-'.join(order.instruments)}_{order.seed}_{key}"
    plain, whole = cache / f"{name}.pickle", cache / f"{name}.general.pickle"
    if known := _read(whole) or (None if general else _read(plain)):
        return known
    if general and (known := _read(plain)):  # heard before without it: only the audio is made again
        with tempfile.TemporaryDirectory() as temporary:
            _build(recipe_file, recordings, order, Path(temporary))
            return _keep(with_general(known, Path(temporary)), whole)
    return _keep(hear(recipe_file, recordings, order, by), whole if general else plain)


def _read(path: Path) -> Heard | None:
    # Our own cache on this machine, never a file from elsewhere.
    known: Heard | None = pickle.loads(path.read_bytes()) if path.exists() else None
    return known


def _keep(heard: Heard, path: Path) -> Heard:
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_suffix(".part")
    unfinished.write_bytes(pickle.dumps(heard))
    unfinished.rename(path)  # a run that is cut off leaves no half a session behind
    return heard
