"""Compares encoders: ``python -m training.encoder_bench --public FOLDER ENCODER...``; each instrument left out once.

Notes of recorded instruments that no encoder here was trained on get faults of known size by performance_faults.py,
are laid out as takes and heard in two rooms. Each note's vector less its neighbours' is what linear probes read: for
every kind of fault one that tells it from good notes, for every attribute one that tells its signed size. Probes are
fitted on all instruments but one and tried on that one. Good notes are real repetitions where there are any.
"""

import json
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Annotated

import numpy as np
import torch
import typer
from sklearn.linear_model import LogisticRegression, Ridge
from sklearn.metrics import roc_auc_score

from training.batches import VIEWS, Batch, EncoderRenderer
from training.dry_notes import Dry, DryNotesRecipe, public_notes
from training.layout import StageRecipe, plan
from training.network_training import ConfigFile
from training.noises import InventedNoise
from training.note_versions import CALIBRATION_FAULTS, FaultSizes
from training.plans import NoiseClip
from training.pool import KINDS, RATE_HZ, Pool, PoolNote, SpreadRecipe, pool_of, spoilt, varied
from triage.config import Strict, read_toml, shipped
from triage.judge.relative_vectors import relative_vectors
from triage.judge.robust import MAD_TO_SIGMA
from triage.listen.encoder import ACTIVATION_KINDS, PLAYED, TrainedEncoder, load_encoder

ATTRIBUTES = {  # of the faults; each in one unit
    "tuning": ("off-pitch",),
    "sag": ("sag", "late-sag"),
    "vibrato": ("vibrato",),
    "tremolo": ("wobble",),
    "slow start": ("late",),
    "choked start": ("respeak",),
    "cracked start": ("cracked",),
    "scoop": ("pitch-break",),
    "breathy start": ("breathy",),
    "length": ("short", "long"),
    "level": ("level-step",),
    "swell": ("swell",),
    "tone": ("shelf",),
}
FEW = 10  # notes with a fault: fewer are no test


class BenchRecipe(Strict):
    """All of configs/encoder_bench.toml."""

    seed: int
    notes: DryNotesRecipe
    most: int  # recordings of a part
    good: int
    spoilt: int
    spread: SpreadRecipe
    sizes: dict[str, FaultSizes]
    noises: int
    batches: int  # of each instrument
    stage: StageRecipe
    ridge: tuple[float, ...]
    logistic: float


@dataclass(frozen=True)
class BenchPool:
    """The pool, and the fault and its size of each of its notes."""

    pool: Pool
    fault: np.ndarray  # names, "" for a good note
    size: np.ndarray  # signed; lengths as log2 of the ratio
    sure: np.ndarray  # bool: good, or a size that a producer rejects


@dataclass(frozen=True)
class Heard:
    """All notes of all batches, one entry each, and the vectors of each encoder."""

    columns: dict[
        str, np.ndarray
    ]  # instrument, kind, labelled, pitch, take, cohort, view, episode, note, fault, size
    vectors: dict[str, np.ndarray]
    evidence: dict[str, dict[str, float]]  # encoder -> AUROC of the steps


def build_bench(notes: Sequence[Dry], recipe: BenchRecipe) -> BenchPool:
    """Make good and spoilt notes of each recording."""
    rng, kept = np.random.default_rng([recipe.seed, 1]), []
    for part in sorted({note.part for note in notes}):
        own = [note for note in notes if note.part == part]
        kept += [own[i] for i in sorted(rng.permutation(len(own))[: recipe.most])]
    work = [(note, recipe, number) for number, note in enumerate(kept)]
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as executor:
        made = [one for some in executor.map(_make, work, chunksize=4) for one in some]
    fault, size, sure = (np.array(column) for column in zip(*(one[1:] for one in made), strict=True))
    return BenchPool(pool_of([one[0] for one in made]), fault, size, sure)


def _make(work: tuple[Dry, BenchRecipe, int]) -> list[tuple[PoolNote, str, float, bool]]:
    dry, recipe, number = work
    rng = np.random.default_rng([recipe.seed, 2, number])
    names = [name for name in sorted(recipe.sizes) if CALIBRATION_FAULTS[name].suits(dry.wave, RATE_HZ)]
    kinds, made = sorted({CALIBRATION_FAULTS[name].kind for name in names}), []
    for index in range(recipe.good + recipe.spoilt):
        note = PoolNote(dry.wave, dry.part, dry.pitch, 0.0, number)
        if index:
            note = varied(note, recipe.spread, rng)
        if index < recipe.good:
            made.append((note.done(), "", 0.0, True))
            continue
        kind = str(rng.choice(kinds))
        name = str(rng.choice([one for one in names if CALIBRATION_FAULTS[one].kind == kind]))
        fault, sizes = CALIBRATION_FAULTS[name], recipe.sizes[name]
        size = float(np.exp(rng.uniform(np.log(sizes.low), np.log(sizes.high))))
        sure = size >= sizes.rejected_from if name != "short" else size <= sizes.rejected_from
        size = -size if fault.signed and rng.random() < 0.5 else size
        told = float(np.log2(size)) if name in ("short", "long") else size
        made.append((spoilt(note, fault, size, rng).done(), name, told, sure))
    return made


def hear(bench: BenchPool, recipe: BenchRecipe, encoders: Sequence[TrainedEncoder], device: torch.device) -> Heard:
    """Lay out, record and encode the bench's takes."""
    pool = bench.pool
    instruments = np.array([str(part).split("/")[0] for part in pool.parts])
    clips = [InventedNoise(RATE_HZ).draw(np.random.default_rng([recipe.seed, 3, i])) for i in range(recipe.noises)]
    renderer = EncoderRenderer(
        pool, torch.from_numpy(pool.samples).to(device), _usable(clips), recipe.stage, recipe.seed
    )
    columns: dict[str, list[np.ndarray]] = {}
    vectors: dict[str, list[np.ndarray]] = {encoder.name: [] for encoder in encoders}
    steps: dict[str, list[np.ndarray]] = {encoder.name: [] for encoder in encoders}
    truth: list[np.ndarray] = []
    number = 0
    for instrument in sorted(set(instruments)):
        parts = np.flatnonzero(instruments == instrument).tolist()
        for index in range(recipe.batches):
            rng = np.random.default_rng([recipe.seed, 4, index, *instrument.encode()])
            with torch.inference_mode():
                batch = renderer.render(plan(pool, parts, recipe.stage, rng), recipe.seed * 1000 + number)
                for encoder in encoders:
                    found, logits = encoder.network(batch.frames, batch.lengths, batch.times)
                    vectors[encoder.name].append(found[batch.mask].float().cpu().numpy())
                    steps[encoder.name].append(logits.float().cpu().numpy())
            weight = batch.weight.cpu().numpy() > 0
            truth.append(np.where(weight, batch.activations.cpu().numpy(), np.nan))
            for name, values in _columns(batch, recipe.stage.takes, number).items():
                columns.setdefault(name, []).append(values)
            columns.setdefault("instrument", []).append(np.full(int(batch.mask.sum()), instrument))
            number += 1
    joined = {name: np.concatenate(values) for name, values in columns.items()}
    for name in ("fault", "size", "sure"):
        joined[name] = getattr(bench, name)[joined["note"]]
    joined["labelled"] &= joined.pop("sure")
    evidence = {name: _step_auroc(logits, truth) for name, logits in steps.items()}
    return Heard(joined, {name: np.concatenate(own) for name, own in vectors.items()}, evidence)


def _usable(clips: Sequence[NoiseClip]) -> list[NoiseClip]:
    return [clip for clip in clips if len(clip.waveform) > 0.01 * RATE_HZ]


def _columns(batch: Batch, takes: int, number: int) -> dict[str, np.ndarray]:
    mask = batch.mask.cpu()
    row, _ = torch.nonzero(mask, as_tuple=True)
    half = len(mask) // VIEWS
    found = {name: getattr(batch, name).cpu()[mask].numpy() for name in ("kind", "labelled", "pitch", "note")}
    return found | {
        "take": (number * 1000 + row).numpy(),
        "cohort": (number * 1000 + row // takes).numpy(),
        "view": (row // half).numpy(),
        "episode": (number * 1000 + row % half // takes).numpy(),
    }


def _step_auroc(logits: Sequence[np.ndarray], truth: Sequence[np.ndarray]) -> dict[str, float]:
    """Return the AUROC of the steps: any noise, and each fault of playing."""
    found = {}
    for kind in ("noise", *PLAYED):
        column = ACTIVATION_KINDS.index(kind)
        score, wanted = (np.concatenate([a[:, column].ravel() for a in arrays]) for arrays in (logits, truth))
        known = np.isfinite(wanted)
        found[kind] = float(roc_auc_score(wanted[known] > 0.5, score[known]))
    return found


def probe_scores(columns: dict[str, np.ndarray], vectors: np.ndarray, recipe: BenchRecipe) -> dict[str, float]:
    """Return AUROC of each kind and R^2 of each attribute, each instrument left out once; means over instruments."""
    difference = relative_vectors(vectors, columns["cohort"], columns["pitch"].astype(float), columns["take"])
    instrument, features = columns["instrument"], np.zeros((len(difference), vectors.shape[1] + 1))
    for name in np.unique(instrument):
        own = instrument == name
        spread = MAD_TO_SIGMA * np.median(np.abs(difference[own]), axis=0) + 1e-6
        scaled = difference[own] / spread
        length = np.log(np.linalg.norm(scaled, axis=1) + 1e-3)
        features[own] = np.column_stack((scaled, 4 * (length - np.median(length))))
    found: dict[str, float] = {}
    good = columns["labelled"] & (columns["kind"] == 0)
    for kind in ("any", *KINDS[1:]):
        bad = columns["labelled"] & (
            (columns["kind"] > 0) if kind == "any" else (columns["kind"] == KINDS.index(kind))
        )
        found[f"auroc/{kind}"] = _left_out_auroc(features, good, bad, instrument, recipe.logistic)
    for attribute, faults in ATTRIBUTES.items():
        has = np.isin(columns["fault"], faults) & (columns["kind"] != KINDS.index("noise"))
        found[f"r2/{attribute}"] = _left_out_r2(difference, good, has, columns, recipe.ridge)
    for prefix in ("auroc", "r2"):
        found[f"{prefix}/mean"] = float(np.nanmean([v for k, v in found.items() if k.startswith(f"{prefix}/")]))
    return found | {"room_share": _room_share(difference, columns, good)}


def _left_out_auroc(
    features: np.ndarray, good: np.ndarray, bad: np.ndarray, instrument: np.ndarray, strength: float
) -> float:
    found = []
    for name in np.unique(instrument):
        train, test = instrument != name, instrument == name
        if min((train & bad).sum(), (test & bad).sum()) < FEW:
            continue
        rows = train & (good | bad)
        model = LogisticRegression(C=strength, class_weight="balanced", max_iter=2000).fit(features[rows], bad[rows])
        rows = test & (good | bad)
        found.append(float(roc_auc_score(bad[rows], model.decision_function(features[rows]))))
    return float(np.mean(found)) if found else float("nan")


def _left_out_r2(
    difference: np.ndarray,
    good: np.ndarray,
    has: np.ndarray,
    columns: dict[str, np.ndarray],
    strengths: Sequence[float],
) -> float:
    """Return R^2 of the size among the notes with the fault and as many good ones, the mean over instruments.

    How much a probe is held back is chosen by leaving out each of the instruments that it is fitted on.
    """
    rng, instrument, chosen = np.random.default_rng(1), columns["instrument"], {}
    for name in np.unique(instrument):
        own, other = (np.flatnonzero((instrument == name) & which) for which in (has, good))
        if len(own) >= FEW:
            chosen[name] = np.concatenate((own, rng.choice(other, min(len(own), len(other)), replace=False)))

    def r2(train: list[str], test: str, strength: float) -> float:
        rows, wanted = np.concatenate([chosen[name] for name in train]), columns["size"][chosen[test]]
        model = Ridge(alpha=strength * difference[rows].var(axis=0).mean() * len(rows))
        model.fit(difference[rows], columns["size"][rows])
        return 1 - float(((wanted - model.predict(difference[chosen[test]])) ** 2).mean() / wanted.var())

    found = []
    for test in chosen:
        train = [name for name in chosen if name != test]
        if len(train) < 2:
            continue
        inner = {s: np.mean([r2([n for n in train if n != name], name, s) for name in train]) for s in strengths}
        found.append(r2(train, test, max(inner, key=lambda strength: inner[strength])))
    return float(np.mean(found)) if found else float("nan")


def _room_share(difference: np.ndarray, columns: dict[str, np.ndarray], good: np.ndarray) -> float:
    """Return the share of the good notes' differences that comes with the room: 0 none, 1 all."""
    order = np.lexsort((columns["take"], columns["view"]))
    first, second = (order[columns["view"][order] == view] for view in range(VIEWS))
    both = good[first] & good[second]
    one, two = difference[first][both], difference[second][both]
    return float(((one - two) ** 2).sum() / ((one**2).sum() + (two**2).sum()))


def main(
    public: Annotated[Path, typer.Option(help="Folder with the public recordings")],
    encoders: Annotated[list[Path], typer.Argument(help="Weights, each with its card")],
    config_file: ConfigFile = None,
    kept: Annotated[Path | None, typer.Option(help="Write the notes' columns and vectors here (.npz)")] = None,
) -> None:
    """Print the scores of each encoder as JSON."""
    recipe = read_toml(config_file or shipped("configs/encoder_bench.toml"), BenchRecipe)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    loaded = [load_encoder(path, device) for path in encoders]
    bench = build_bench(list(public_notes(recipe.notes, public, recipe.seed)), recipe)
    heard = hear(bench, recipe, loaded, torch.device(device))
    if kept:
        arrays = heard.columns | {f"vectors {name}": own for name, own in heard.vectors.items()}
        np.savez(kept, allow_pickle=False, **arrays)
    for name, vectors in heard.vectors.items():
        scores = probe_scores(heard.columns, vectors, recipe) | {
            f"steps/{k}": v for k, v in heard.evidence[name].items()
        }
        print(json.dumps({"encoder": name, "notes": len(vectors)} | {k: round(v, 4) for k, v in scores.items()}))


if __name__ == "__main__":
    typer.run(main)
