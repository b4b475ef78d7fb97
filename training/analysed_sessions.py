"""Built sessions analysed by the tool, with the truth about every note.

A recipe and a session's specification go in; the takes as the tool analyses them and the builder's truth come out.
The audio lives in a temporary folder and is deleted afterwards; the analysis can be cached, with the log-mel frames
of the measured microphone, so that another encoder can be tried without building and measuring again.
"""

import hashlib
import json
import tempfile
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import torch
from pydantic import ConfigDict, Field, TypeAdapter

from training import general_embedding
from training.demo_session import DemoRecipe, invented_stage
from training.recipe import Recipe
from training.recordings import RecordedNoise
from training.rooms import MicRecipe
from training.sessions import build, write_session
from triage.analysis.encoding import BESIDE, encode, encoder_in_use
from triage.analysis.fingerprint import analysis_key
from triage.analysis.take import analyse_take
from triage.analysis.workers import cores
from triage.config import Strict, read_toml, shipped
from triage.domain.code_key import code_key
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

INVENTED = "invented"  # the synthesised instruments of configs/demo.toml
BUILDERS = ("demo", "sessions", "takes", "plans", "rooms", "noises", "synth", "note_editing", "recordings")
FAULT_MODULES = ("performance_faults", "technical_faults")
SHIPPED = ""  # of the encoders: the one in models/


JSON_OPTIONS = ConfigDict(
    arbitrary_types_allowed=True, ser_json_inf_nan="constants", ser_json_bytes="base64", val_json_bytes="base64"
)
TAKES = TypeAdapter(list[Take], config=JSON_OPTIONS)
TAKES.rebuild(_types_namespace={"np": np})  # Note names numpy's arrays without importing numpy


@dataclass(frozen=True)
class AnalysedSession:
    """One built session as the tool analysed it, and the builder's truth for each take by name.

    Notes hold the vectors of every encoder asked for; ``frames`` [shape=(mel, frame), float16] are those of each
    take's measured microphone; ``encoder`` is the one whose vectors count.
    """

    takes: list[Take]
    truth: dict[str, dict[str, Any]]
    a4_hz: float
    frames: dict[str, np.ndarray]
    encoder: str = FixedEmbedding.name

    def only(self, encoder: str | None = None, activations: bool = True) -> "AnalysedSession":
        """Return the session as if analysed with one encoder alone: the one that counts, or the named one."""
        name = self.encoder if encoder is None else encoder
        names = {name, name + BESIDE} if activations else {name}
        takes = [
            _embedded(
                take, [{key: own for key, own in note.embeddings.items() if key in names} for note in take.notes]
            )
            for take in self.takes
        ]
        return replace(self, encoder=name, takes=takes)

    def save(self, path: Path) -> None:
        """Write the session as one .npz file."""
        arrays = {f"frames/{name}": frames for name, frames in self.frames.items()}
        for index, take in enumerate(self.takes):
            for name in {name for note in take.notes for name in note.embeddings}:
                rows = [row for row, note in enumerate(take.notes) if name in note.embeddings]
                arrays[f"rows/{index}/{name}"] = np.array(rows)
                arrays[f"vectors/{index}/{name}"] = np.stack([take.notes[row].embeddings[name] for row in rows])
        plain = TAKES.dump_json([_embedded(take, [{} for _ in take.notes]) for take in self.takes]).decode()
        head = json.dumps({"takes": plain, "truth": self.truth, "a4_hz": self.a4_hz, "encoder": self.encoder})
        path.parent.mkdir(parents=True, exist_ok=True)
        unfinished = path.with_suffix(".part")
        with unfinished.open("wb") as file:
            np.savez(file, head=np.array(head), **arrays)  # type: ignore[arg-type]
        unfinished.rename(path)  # an interrupted run leaves no half a session behind

    @classmethod
    def load(cls, path: Path) -> "AnalysedSession":
        """Read a session that ``save`` wrote."""
        with np.load(path, allow_pickle=False) as stored:
            head = json.loads(str(stored["head"]))
            takes = TAKES.validate_json(head["takes"])
            vectors: list[list[dict[str, np.ndarray]]] = [[{} for _ in take.notes] for take in takes]
            for key in (key for key in stored.files if key.startswith("vectors/")):
                _, index, name = key.split("/", 2)
                for row, vector in zip(stored[f"rows/{index}/{name}"], stored[key], strict=True):
                    vectors[int(index)][int(row)][name] = vector
            frames = {key.removeprefix("frames/"): stored[key] for key in stored.files if key.startswith("frames/")}
        takes = [_embedded(take, own) for take, own in zip(takes, vectors, strict=True)]
        return cls(takes, head["truth"], head["a4_hz"], frames, head["encoder"])


class Elsewhere(Strict):
    """Another room and other microphones for the same music."""

    rt60_s: float
    critical_m: float
    mics: tuple[MicRecipe, ...]


@dataclass(frozen=True)
class SessionSpec:
    """What to build: instruments, share of spoilt takes, which part of the noise clips, how many takes, the hall."""

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
        """Return the recipe with these numbers in it."""
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
class Networks:
    """What to analyse with: each instrument's encoder and noise network, and a general pretrained embedding.

    ``encoders`` and ``noises`` map an instrument to a file of weights; where none is named, the shipped one is used.
    """

    encoders: Mapping[str, str] = field(default_factory=dict)
    noises: Mapping[str, str] = field(default_factory=dict)
    general: bool = False

    def encoder(self, spec: SessionSpec) -> Encoder:
        """Return the encoder for the instrument of a session."""
        return _encoder(self.encoders.get(spec.instruments[0], SHIPPED))

    def detector(self, spec: SessionSpec) -> NoiseDetector:
        """Return the noise network for the instrument of a session."""
        file = self.noises.get(spec.instruments[0])
        return load_detector(Path(file)) if file else load_detector()


class NetworksConfig(Strict):
    """Networks trained on neither an instrument nor its noise clips: instrument -> file in --encoders."""

    encoders: dict[str, str] = Field(default_factory=dict)
    noise_networks: dict[str, str] = Field(default_factory=dict)


def networks_in(folder: Path | None, files: NetworksConfig, general: bool = False) -> Networks:
    """Return the networks that a recipe names, in ``folder`` if one is given, else the shipped ones."""
    if folder is None:
        return Networks(general=general)
    encoders, noises = (
        {name: str(folder / file) for name, file in own.items()} for own in (files.encoders, files.noise_networks)
    )
    return Networks(encoders, noises, general)


@lru_cache(maxsize=4)
def _encoder(file: str) -> Encoder:
    return load_encoder(Path(file)) if file != SHIPPED else encoder_in_use()


def analyse(
    recipe_file: Path, recordings: Path, spec: SessionSpec, networks: Networks | None = None
) -> AnalysedSession:
    """Build one session in a temporary folder and analyse it with the tool's own code."""
    torch.set_num_threads(1)
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        _build(recipe_file, recordings, spec, folder)
        networks = networks or Networks()
        session = analyse_folder(folder, networks.detector(spec))
        return with_general(session, folder) if networks.general else session


def _build(recipe_file: Path, recordings: Path, spec: SessionSpec, folder: Path) -> None:
    recipe = spec.applied(read_toml(recipe_file, Recipe))
    if spec.instruments == (INVENTED,):
        parts = read_toml(shipped("configs/demo.toml"), DemoRecipe).parts
        noise = RecordedNoise(recordings, recipe)
        plans, stage = invented_stage(DemoRecipe(**{**dict(recipe), "parts": parts}), spec.seed, noise)
        write_session(plans, stage, folder, spec.seed)
    else:
        build(recipe, folder, recordings, spec.seed, spec.instruments)


def analyse_folder(folder: Path, detector: NoiseDetector | None = None) -> AnalysedSession:
    """Analyse a built session; the notes' vectors are those of the fixed embedding."""
    session = read_session(folder)
    reference_mic = session.reference_mic_name()
    takes, frames = [], {}
    for take in _take_files(folder):
        analysed = analyse_take(take, folder, reference_mic, session.a4_hz, FixedEmbedding(), detector)
        samples, rate_hz = _samples(take, folder, analysed.measured_mic or reference_mic)
        frames[take.name] = LogMel(rate_hz)(samples[None])[0].astype(np.float16)
        takes.append(analysed)
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["takes"]
    return AnalysedSession(takes, truth, session.a4_hz, frames)


def with_general(session: AnalysedSession, folder: Path) -> AnalysedSession:
    """Return a session with the general pretrained embedding's vectors added; its audio is in ``folder``."""
    audio, takes = {take.name: take for take in _take_files(folder)}, []
    reference_mic = read_session(folder).reference_mic_name()
    for take in session.takes:
        samples, rate_hz = _samples(audio[take.name], folder, take.measured_mic or reference_mic)
        vectors = general_embedding.general_vectors(samples, rate_hz, segments_of(take))
        takes.append(_with(take, [{general_embedding.NAME: vector} for vector in vectors]))
    return replace(session, takes=takes)


def _take_files(folder: Path) -> list[TakeFiles]:
    session = read_session(folder)
    return list(check_arrivals(folder, session, read_sheet(folder / "take_sheet.csv", session.middle_c_octave)).takes)


def _samples(take: TakeFiles, folder: Path, mic: str) -> tuple[np.ndarray, int]:
    track = next(track for track in take.tracks if track.mic == mic)
    blocks = list(wav.blocks(folder / track.path, [track.channel]))
    return np.concatenate(blocks, axis=1)[0], track.facts.sample_rate_hz


def segments_of(take: Take) -> list[NoteSegment]:
    """Return a take's notes as the encoders want them."""
    return [NoteSegment(n.start_s, n.end_s, n.ring_end_s or n.end_s, float("nan")) for n in take.notes]


def _embedded(take: Take, embeddings: Sequence[Mapping[str, np.ndarray]]) -> Take:
    """Return a take whose notes have these embeddings and no others."""
    pairs = zip(take.notes, embeddings, strict=True)
    return replace(take, notes=tuple(replace(note, embeddings=own) for note, own in pairs))


def _with(take: Take, more: Sequence[Mapping[str, np.ndarray]]) -> Take:
    """Return a take whose notes have more embeddings."""
    return _embedded(take, [{**note.embeddings, **own} for note, own in zip(take.notes, more, strict=True)])


def encoded(session: AnalysedSession, encoder: Encoder) -> AnalysedSession:
    """Return a session with one encoder's vectors and activations added; they are the ones that count."""
    takes = [
        _with(take, encode(encoder, session.frames[take.name].astype(np.float32), segments_of(take)))
        for take in session.takes
    ]
    return replace(session, takes=takes, encoder=encoder.name)


def analyse_all(
    recipe_file: Path,
    recordings: Path,
    specs: list[SessionSpec],
    cache: Path | None = None,
    networks: Networks | None = None,
) -> list[AnalysedSession]:
    """Analyse several sessions, one a core; those found in ``cache`` are not built again."""
    work = [(recipe_file, recordings, spec, cache, networks or Networks()) for spec in specs]
    if len(work) == 1:
        return [_encoded(*work[0])]
    with ProcessPoolExecutor(min(cores(), len(work)), mp_context=get_context("spawn")) as pool:
        return list(pool.map(_encoded, *zip(*work, strict=True)))


def _encoded(
    recipe_file: Path, recordings: Path, spec: SessionSpec, cache: Path | None, networks: Networks
) -> AnalysedSession:
    torch.set_num_threads(1)
    return encoded(_cached(recipe_file, recordings, spec, cache, networks), networks.encoder(spec))


def _cached(
    recipe_file: Path, recordings: Path, spec: SessionSpec, cache: Path | None, networks: Networks
) -> AnalysedSession:
    """Return an analysed session, from the cache where it was analysed before with the same networks."""
    if cache is None:
        return analyse(recipe_file, recordings, spec, networks)
    builders = code_key(*(f"training.{name}" for name in (*BUILDERS, *FAULT_MODULES)))
    recipe = recipe_file.read_text(encoding="utf-8")
    depends_on = f"{analysis_key()} {builders} {networks.detector(spec).name} {spec} {recipe}"
    key = hashlib.sha256(depends_on.encode()).hexdigest()[:16]
    plain = cache / f"{'-'.join(spec.instruments)}_{spec.seed}_{key}.npz"
    whole = plain.with_suffix(".general.npz")
    if known := next((path for path in (whole, *([] if networks.general else [plain])) if path.exists()), None):
        return AnalysedSession.load(known)
    if networks.general and plain.exists():  # only the audio is made again
        with tempfile.TemporaryDirectory() as folder:
            _build(recipe_file, recordings, spec, Path(folder))
            session = with_general(AnalysedSession.load(plain), Path(folder))
    else:
        session = analyse(recipe_file, recordings, spec, networks)
    session.save(whole if networks.general else plain)
    return session
