"""Train the classifier of noises: ``python -m training.noise_kinds --recordings FOLDER``.

Scenes are built (training/noise_scenes.py), heard with the tool's own code, and every candidate gets a label: the
kind of the noise that it is, or ``music``. A few small networks learn them and vote. Out come
models/noise_kinds.safetensors and its card.
"""

import hashlib
import json
import pickle
import warnings
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import torch
import typer
from safetensors.numpy import save_file
from sklearn.exceptions import ConvergenceWarning
from sklearn.neural_network import MLPClassifier
from sklearn.preprocessing import StandardScaler

from training.noise_scenes import Planted, Scene, SceneRecipe, scenes
from triage.config import Strict, read_toml, shipped
from triage.crew import cores
from triage.listen.hits import Candidate, MicHeard, hear_mic, joined_features
from triage.listen.kinds import FEATURES, MUSIC, SHIPPED, UNKNOWN, NoiseModel
from triage.listen.logmel import LogMel
from triage.listen.notes import Note, find_notes
from triage.listen.strays import without_strays

UNSURE_EXPOSED = 0.1  # a noise less exposed than this is neither an example of one nor of music
EARLY_S, LATE_S, RING_S = 0.08, 0.1, 0.8  # a candidate that overlaps a noise; one that starts in its ring-out


class KindsRecipe(Strict):
    """All of configs/noise_kinds.toml."""

    version: str
    networks: int
    hidden: int
    decay: float
    epochs: int
    scenes: SceneRecipe


@dataclass(frozen=True)
class HeardScene:
    """A scene as the tool hears it, without its samples: frames of every microphone, notes, and the truth."""

    frames: np.ndarray  # (channel, mel, frame)
    rate_hz: int
    mics: tuple[str, ...]
    notes: list[Note]
    planted: tuple[Planted, ...]
    notes_s: tuple[tuple[float, float], ...]

    def heard(self) -> list[MicHeard]:
        """Return what every microphone brought."""
        band_hz = LogMel(self.rate_hz).band_hz()
        frames = self.frames.astype(np.float32)
        notes = without_strays(frames[0], self.notes, len(self.notes_s))
        return [hear_mic(own, notes, mic, band_hz) for own, mic in zip(frames, self.mics, strict=True)]


def hear_scene(scene: Scene) -> HeardScene:
    """Return the scene's frames and notes; notes are cut on the first microphone, as the tool does."""
    tracks = scene.tracks.astype(np.float32)
    frames = np.concatenate([LogMel(scene.rate_hz)(track[None]) for track in tracks])

    def span(start_s: float, end_s: float) -> np.ndarray:
        return tracks[0, max(0, round(start_s * scene.rate_hz)) : round(end_s * scene.rate_hz)]

    notes, _ = find_notes(frames[0], span, scene.rate_hz)
    return HeardScene(frames.astype(np.float16), scene.rate_hz, scene.mics, notes, scene.planted, scene.notes_s)


def hear_scenes(config: SceneRecipe, recordings: Path, cache: Path | None = None) -> list[HeardScene]:
    """Build and hear all scenes of a run, one worker a core; ``cache`` keeps what was heard."""
    key = hashlib.sha256(repr(config).encode()).hexdigest()[:16]
    kept = cache / f"scenes_{key}.pickle" if cache else None
    if kept and kept.exists():
        found: list[HeardScene] = pickle.loads(kept.read_bytes())  # our own cache on this machine
        return found
    parts = cores()
    with ProcessPoolExecutor(parts, mp_context=get_context("spawn")) as pool:
        work = [pool.submit(_hear_part, config, recordings, part, parts) for part in range(parts)]
        found = [one for each in work for one in each.result()]
    if kept:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(found))
    return found


def _hear_part(config: SceneRecipe, recordings: Path, part: int, parts: int) -> list[HeardScene]:
    torch.set_num_threads(1)
    return [hear_scene(scene) for scene in scenes(config, recordings, part, parts)]


def label(candidate: Candidate, mic: int, planted: tuple[Planted, ...]) -> str | None:
    """Return the kind of the noise that a candidate is, ``music``, or None where it counts as neither."""
    for noise in planted:
        late_s = noise.starts_s[mic] - noise.start_s
        start_s, end_s = noise.start_s + late_s - EARLY_S, noise.end_s + late_s + LATE_S
        if candidate.start_s < end_s and candidate.end_s > start_s:
            return noise.kind if noise.exposed >= UNSURE_EXPOSED else None
        if start_s < candidate.start_s < end_s + RING_S:
            return None
    return MUSIC


def examples(heard: list[HeardScene]) -> tuple[np.ndarray, np.ndarray]:
    """Return features (candidate, FEATURES) and labels (candidate,) of all candidates that have one."""
    rows, labels = [], []
    for scene in heard:
        mics = scene.heard()
        for index, mic in enumerate(mics):
            for candidate in mic.candidates:
                name = label(candidate, index, scene.planted)
                if name is not None:
                    rows.append(joined_features(candidate, mic, mics))
                    labels.append(name)
    return np.stack(rows), np.array(labels)


def fit(features: np.ndarray, labels: np.ndarray, config: KindsRecipe) -> NoiseModel:
    """Return a model of a few small networks with one hidden layer, alike but for their seeds."""
    known = np.nan_to_num(features, nan=UNKNOWN)
    low, high = np.percentile(known, (0.2, 99.8), axis=0)
    known = np.clip(known, low, high)
    scaler = StandardScaler().fit(known)
    networks = []
    for seed in range(config.networks):
        network = MLPClassifier((config.hidden,), alpha=config.decay, max_iter=config.epochs, random_state=seed)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ConvergenceWarning)  # so many epochs are meant
            networks.append(network.fit(scaler.transform(known), labels))
    arrays = {"low": low, "high": high, "mean": scaler.mean_, "scale": scaler.scale_}
    for layer, name in enumerate("12"):
        arrays[f"w{name}"] = np.stack([network.coefs_[layer] for network in networks])
        arrays[f"b{name}"] = np.stack([network.intercepts_[layer] for network in networks])
    kinds = tuple(str(kind) for kind in networks[0].classes_)
    return NoiseModel(config.version, kinds, {name: array.astype(np.float32) for name, array in arrays.items()})


def main(
    recordings: Annotated[Path, typer.Option(help="Folder with notes.csv and noise.csv")],
    config_file: Annotated[Path | None, typer.Option("--config")] = None,
    cache: Annotated[Path | None, typer.Option(help="Folder that keeps what was heard")] = None,
    out: Annotated[Path | None, typer.Option(help="Where the model goes; models/ where left out")] = None,
) -> None:
    """Train the classifier of noises and write it with its card."""
    config = read_toml(config_file or shipped("configs/noise_kinds.toml"), KindsRecipe)
    heard = hear_scenes(config.scenes, recordings, cache)
    features, labels = examples(heard)
    path = out or shipped("models/doubt.json").with_name(Path(SHIPPED).name)
    save(fit(features, labels, config), path)
    path.with_suffix(".json").write_text(
        json.dumps(card(config, features, labels), indent=1) + "\n", encoding="utf-8"
    )
    print(f"{path}: {len(labels)} candidates, {int((labels != MUSIC).sum())} of them noises")


def save(model: NoiseModel, path: Path) -> None:
    """Write a model of noises as safetensors."""
    told = {"version": model.version, "kinds": " ".join(model.kinds), "features": " ".join(FEATURES)}
    save_file(dict(model.arrays), path, told)


def card(config: KindsRecipe, features: np.ndarray, labels: np.ndarray) -> dict[str, Any]:
    """Return what the model was made of."""
    names, counts = np.unique(labels, return_counts=True)
    return {
        "version": config.version, "config": config.model_dump(mode="json"),
        "examples": {str(name): int(count) for name, count in zip(names, counts, strict=True)},
        "data": hashlib.sha256(features.tobytes()).hexdigest(), "held_out": "alto-saxophone; noise half second",
    }  # fmt: skip


if __name__ == "__main__":
    typer.run(main)
