"""Sessions drawn from takes that were analysed in several versions, with the truth about every note.

``analysed_versions`` renders and analyses what ``note_versions.py`` plans, one session a core, and caches it;
``draw_takes`` takes one version of every take, most of them fine; ``labelled_draw`` gives features and labels.
"""

import hashlib
import json
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import torch

from training.analysed_sessions import AnalysedSession
from training.calibrate import MATCH_S, LabelledNotes
from training.note_versions import EXTRA, MISSING, NOISE, VersionsRecipe, build_versions
from training.plans import NoiseBank
from training.public_recordings import Recording
from triage.analysis.encoding import encoder_in_use
from triage.analysis.fingerprint import analysis_key
from triage.analysis.take import analyse_take
from triage.analysis.workers import cores
from triage.domain.code_key import code_key
from triage.domain.take import Take
from triage.intake.arrivals import check_arrivals
from triage.intake.session import read_session
from triage.intake.sheet import read_sheet
from triage.judge.doubt import FINE
from triage.judge.features import NearbyNoise, note_features
from triage.judge.note_table import NoteTable
from triage.ranking.note_table import nearby_noise, note_table
from triage.ranking.placing import place
from triage.ranking.suppression import with_usual_sounds, without_harmless

BUILDERS = ("note_versions", "takes", "sessions", "rooms", "noises", "synthetic_noises", "note_editing")
FAULT_MODULES = ("performance_faults", "technical_faults", "synth")


@dataclass(frozen=True)
class VersionsSpec:
    """One session to build: who plays, and the seed that all else follows from."""

    instrument: str
    seed: int


@dataclass(frozen=True)
class DrawnNotes(LabelledNotes):
    """The notes of one drawn session, and the name of what was planted in each, rejected or not; FINE for nothing."""

    fault: np.ndarray  # (note,)


def analysed_versions(
    recipe: VersionsRecipe,
    recordings: Sequence[Recording],
    noises: Callable[[], NoiseBank],
    specs: Sequence[VersionsSpec],
    cache: Path,
) -> list[Path]:
    """Build and analyse the versions of several sessions, one a core; return the files that hold them.

    ``noises`` opens the bank in each process: makers of synthetic noises cannot be sent to one.
    """
    work = [(recipe, recordings, noises, spec, cache) for spec in specs]
    with ProcessPoolExecutor(min(cores(), len(work)), mp_context=get_context("spawn")) as pool:
        return list(pool.map(_cached, *zip(*work, strict=True)))


def _cached(
    recipe: VersionsRecipe,
    recordings: Sequence[Recording],
    noises: Callable[[], NoiseBank],
    spec: VersionsSpec,
    cache: Path,
) -> Path:
    torch.set_num_threads(1)
    builders = code_key(*(f"training.{name}" for name in (*BUILDERS, *FAULT_MODULES)))
    key = hashlib.sha256(f"{analysis_key()} {builders} {encoder_in_use().name} {recipe} {spec}".encode()).hexdigest()
    path = cache / f"versions_{spec.instrument}_{spec.seed}_{key[:16]}.npz"
    if not path.exists():
        with tempfile.TemporaryDirectory() as temporary:
            folder = Path(temporary) / "session"
            build_versions(recipe, recordings, noises(), spec.instrument, folder, spec.seed)
            analyse_versions(folder).save(path)
    return path


def analyse_versions(folder: Path) -> AnalysedSession:
    """Analyse every version in a folder by the encoder in use; no frames are kept."""
    session = read_session(folder)
    arrivals = check_arrivals(folder, session, read_sheet(folder / "take_sheet.csv", session.middle_c_octave))
    takes = [analyse_take(one, folder, session.reference_mic_name(), session.a4_hz) for one in arrivals.takes]
    kept = [replace(take, previews=()) for take in takes]
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))["takes"]
    return AnalysedSession(kept, truth, session.a4_hz, {}, encoder_in_use().name)


def draw_takes(session: AnalysedSession, spoilt_share: float, rng: np.random.Generator) -> list[Take]:
    """Return one version of every take, a share of them spoilt ones."""
    versions: dict[str, tuple[list[Take], list[Take]]] = {}
    for take in session.takes:
        own = session.truth[take.name]
        versions.setdefault(own["take"], ([], []))[bool(own["faults"] or own["technical"])].append(take)
    drawn = []
    for fine, spoilt in versions.values():
        choices = spoilt if spoilt and rng.random() < spoilt_share else fine or spoilt
        drawn.append(choices[int(rng.integers(len(choices)))])
    return drawn


def labelled_draw(session: AnalysedSession, takes: Sequence[Take]) -> DrawnNotes:
    """Return the notes of a drawn session with their labels."""
    placed, _, _ = place(without_harmless(with_usual_sounds(takes)), session.a4_hz)
    table = note_table(placed)
    near = nearby_noise(placed, table)
    kind, name = np.full(len(table), FINE, dtype="<U16"), np.full(len(table), FINE, dtype="<U16")
    usable = np.ones(len(table), bool)
    for take in takes:
        truth = session.truth[take.name]
        mine = np.flatnonzero(table.take == take.name)
        if truth["technical"] or any(fault["name"] in (MISSING, EXTRA) for fault in truth["faults"]):
            usable[mine] = False
            continue
        for fault in truth["faults"]:
            _label(fault, _row(fault, truth["notes"], mine, table, near), mine, (kind, name, usable))
    return DrawnNotes(note_features(table, near), table, kind, usable, name)


def _row(
    fault: dict[str, Any], onsets_s: Sequence[float], mine: np.ndarray, table: NoteTable, near: NearbyNoise
) -> int | None:
    """Return the row of the spoilt note, None where it was not found.

    A noise in a gap belongs to the note before or after it: to the one that the tool hears it with.
    """
    if not len(mine):
        return None
    away = np.abs(table.start_s[mine] - onsets_s[fault["note"] - 1])
    at = int(away.argmin())
    if away[at] > MATCH_S:
        return None
    if fault["name"] == NOISE:
        around = range(max(0, at - 1), min(at + 2, len(mine)))
        at = max(around, key=lambda one: (near.noise_over_db[mine[one]], one == at))
    return int(mine[at])


def _label(
    fault: dict[str, Any], row: int | None, mine: np.ndarray, labels: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> None:
    kind, name, usable = labels
    if row is None:
        usable[mine] = False  # the spoilt note was not found: the sheet's count reports it, not the classifier
    elif kind[row] == FINE or fault["name"] != NOISE:  # a note that was played badly is so with a noise after it too
        name[row] = fault["name"]
        kind[row] = fault["kind"] if fault["rejected"] else FINE
