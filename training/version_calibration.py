"""Calibrates the doubt on faults of every size: ``python -m training.version_calibration --public FOLDER ...``.

Takes of training instruments are rendered in several versions, with faults of every size, and analysed with the
tool's own code (``note_versions.py``); sessions are drawn from them (``version_draws.py``), and a classifier is
fitted to which note a producer would reject, and why. Writes doubt.skops and doubt.json (the card) into a folder. The
recipe is configs/version_calibration.toml.
"""

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from training.analysed_sessions import AnalysedSession
from training.calibrate import CalibrationFit, fit
from training.noise_scenes import MixedNoise
from training.noises import InventedNoise
from training.note_versions import EXTRA, MISSING, RATE_HZ, VersionsRecipe
from training.plans import NoiseBank
from training.public_recordings import LICENCES, read_public
from training.recipe import FaultsRecipe, Recipe, SessionRecipe
from training.recordings import RecordedNoise
from training.rooms import HallRecipe
from training.synthetic_noises import MAKERS
from training.technical_faults import MISHAPS
from training.version_draws import DrawnNotes, VersionsSpec, analysed_versions, draw_takes, labelled_draw
from triage.config import Strict, read_toml, shipped
from triage.domain.take import Take
from triage.judge.doubt import DoubtModel, save_model
from triage.ranking.findings import findings_of
from triage.ranking.note_table import note_table, rows_by_note
from triage.ranking.placing import place

CERTAIN = (*MISHAPS, MISSING, EXTRA)  # findings that need no classifier


class VersionSessions(Strict):
    """Who plays in which sessions."""

    recorded: tuple[str, ...]
    invented: int
    each: int
    noise_half: str


class VersionDraws(Strict):
    """How many sessions are drawn from the versions of one, and how many of their takes are spoilt."""

    of_each: int
    spoilt_share: float
    unheard_share: float  # of the drawn sessions, those judged without the encoder's activations


class VersionFit(CalibrationFit):
    """How the classifier is fitted, and how often a take is miscounted."""

    miscounted_takes: float


class VersionCalibrationConfig(Strict):
    """All of configs/version_calibration.toml."""

    version: str
    seed: int
    sessions: VersionSessions
    draws: VersionDraws
    fit: VersionFit
    versions: VersionsRecipe


def drawn(session: AnalysedSession, draws: VersionDraws, seed: int) -> Iterator[list[Take]]:
    """Yield sessions drawn from the versions of one."""
    for number in range(draws.of_each):
        yield draw_takes(session, draws.spoilt_share, np.random.default_rng([seed, number]))


def certainties(sessions: Sequence[AnalysedSession], config: VersionCalibrationConfig) -> dict[str, float]:
    """Return, for each kind of finding that needs no classifier, the probability that it is true.

    By Bayes: prior * hit rate / (prior * hit rate + false findings a take), where the prior is the share of a real
    session's takes with that trouble, and a finding is false in a take that nothing is wrong with. Half a finding is
    added to either count: none seen is no certainty. Every version of a take counts once, however often it was drawn.
    """
    seen: set[tuple[int, str]] = set()
    good = 0
    planted, right, false = (Counter[str]() for _ in range(3))
    for number, session in enumerate(sessions):
        for takes in drawn(session, config.draws, config.seed + number):
            found = _found(session, takes)
            for take in takes:
                if (number, take.name) in seen:
                    continue
                seen.add((number, take.name))
                truth = session.truth[take.name]
                faults = {fault["name"] for fault in truth["faults"]} | {truth["technical"]}
                own = found.get(take.name, set())
                planted.update(faults & set(CERTAIN))
                right.update(own & faults)
                if not truth["technical"] and not any(fault["rejected"] for fault in truth["faults"]):
                    good += 1
                    false.update(own)
    certain = {}
    for name in CERTAIN:
        prior = config.fit.technical_takes if name in MISHAPS else config.fit.miscounted_takes
        hits = prior * (right[name] + 0.5) / (planted[name] + 1)
        certain[name] = round(hits / (hits + (false[name] + 0.5) / max(good, 1)), 4)
    return certain


def _found(session: AnalysedSession, takes: Sequence[Take]) -> dict[str, set[str]]:
    """Return the kinds of CERTAIN findings of each take."""
    placed, missing, _ = place(takes, session.a4_hz)
    found: dict[str, set[str]] = {}
    for one in findings_of(placed, rows_by_note(note_table(placed)), missing, {}):
        if one.basis in CERTAIN:
            found.setdefault(one.spot.take, set()).add(one.basis)
    return found


def version_specs(config: VersionCalibrationConfig) -> list[VersionsSpec]:
    """Return what to build: each recorded instrument several times, and as many invented voices as asked for."""
    own = config.sessions
    recorded = [
        VersionsSpec(name, config.seed * 1000 + 10 * place + number)
        for number in range(own.each)
        for place, name in enumerate(own.recorded)
    ]
    invented = [VersionsSpec(f"voice-{number}", config.seed * 1000 + 500 + number) for number in range(own.invented)]
    return recorded + invented


def noises_of(config: VersionCalibrationConfig, recordings: Path) -> NoiseBank:
    """Return clips of the half that is named and synthesised noises, as often the one as the other."""
    noise = config.versions.noise.model_copy(update={"half": config.sessions.noise_half})
    recipe = Recipe(
        session=SessionRecipe(name="versions", date=date(2026, 1, 1), sample_rate_hz=RATE_HZ),
        faults=FaultsRecipe(weights={}),
        noise=noise,
        hall=HallRecipe(rt60_s=1.0),
        mics=(),
    )
    return MixedNoise(RecordedNoise(recordings, recipe), InventedNoise(RATE_HZ, MAKERS), 0.5)


def examples_of(session: AnalysedSession, config: VersionCalibrationConfig, seed: int) -> list[DrawnNotes]:
    """Return the notes of all sessions drawn from the versions of one, with their labels.

    The first ``unheard_share`` of them are without activations, so that what is measured counts by itself too.
    """
    found = [labelled_draw(session, takes) for takes in drawn(session, config.draws, seed)]
    unheard = round(config.draws.unheard_share * len(found))
    return [without_activations(one) for one in found[:unheard]] + found[unheard:]


def without_activations(notes: DrawnNotes) -> DrawnNotes:
    """Return notes as if the encoder had no activations."""
    heard = np.char.startswith(notes.features.names, "heard_")
    matrix = np.where(heard, 0.0, notes.features.matrix)
    return replace(notes, features=replace(notes.features, matrix=matrix))


def card(
    config: VersionCalibrationConfig,
    sessions: Sequence[AnalysedSession],
    examples: Sequence[DrawnNotes],
    model: DoubtModel,
) -> dict[str, Any]:
    """Return what the shipped model was made from."""
    kinds = Counter(str(kind) for one in examples for kind in one.kind[one.usable])
    faults = Counter(str(name) for one in examples for name in one.fault[one.usable])
    return {
        "version": model.version,
        "made_by": "python -m training.version_calibration",
        "config": config.model_dump(mode="json"),
        "sessions": len(sessions),
        "drawn_sessions": len(examples),
        "drawn_notes": dict(sorted(kinds.items())),
        "planted_in_drawn_notes": dict(sorted(faults.items())),
        "columns": list(model.names),
        "certain": model.certain,
        "recordings": {name: licence for name, licence in LICENCES.items() if name != "Ixox.Flute"},
        "kept_unseen": "the instruments and the fault generator of training/trial; noise clips of the other half",
    }


def main(
    public: Annotated[Path, typer.Option(help="Folder of the public collections' checkouts")],
    recordings: Annotated[Path, typer.Option(help="Folder with noise.csv")],
    cache: Annotated[Path, typer.Option(help="Folder that caches analyses")],
    out: Annotated[Path, typer.Option(help="Folder for the model and its card")],
    config_file: Annotated[Path | None, typer.Option("--config")] = None,
) -> None:
    """Build and analyse versions, draw sessions, fit the model of the doubt before any verdict, and write it."""
    config = read_toml(config_file or shipped("configs/version_calibration.toml"), VersionCalibrationConfig)
    notes, _ = read_public(public, for_testing=False)
    noises = partial(noises_of, config, recordings)
    files = analysed_versions(config.versions, notes, noises, version_specs(config), cache)
    sessions = [AnalysedSession.load(file) for file in files]
    examples = [one for number, own in enumerate(sessions) for one in examples_of(own, config, config.seed + number)]
    model = replace(fit(examples, config.fit, config.version), certain=certainties(sessions, config))
    save_model(model, out / "doubt.skops")
    whole = card(config, sessions, examples, model) | {"analysed_with": sorted({one.encoder for one in sessions})}
    (out / "doubt.json").write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")
    print(f"{out / 'doubt.skops'}: {len(examples)} sessions, {sum(len(e.table) for e in examples)} notes")


if __name__ == "__main__":
    typer.run(main)
