"""How well noises are found: ``python -m training.evaluate noise --recordings FOLDER --public PUBLIC`` prints it.

Sessions are built from instruments, makers and whole sources of noise clips that nothing has met
(configs/noise_evaluation.toml), with noises of known time, level, kind and place among the natural sounds of playing;
taken in by the tool's own code; and judged before any verdict. An event counts as found where a hit starts within the
collar or shares half of its time; what is found where nothing was planted is false, natural sounds too. Intervals are
by bootstrap over sessions. General baselines are compared, each with the threshold that is best for it in hindsight.
"""

import json
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import torch
import typer

from training.noise_baselines import BASELINES, events
from training.noise_report import TOOL, Tally, printed, report
from training.noise_scenes import SceneRecipe
from training.noise_sessions import TrialRecipe, built_scenes, built_trial
from training.noise_truth import PlantedNoise, Scene
from training.planted_clicks import count_clicks
from training.public_recordings import Recording, read_public
from triage.analysis.take import analyse_take
from triage.analysis.workers import cores
from triage.config import Strict, read_toml, shipped
from triage.domain.errors import AudioError
from triage.domain.kinds import NOISES
from triage.intake.arrivals import check_arrivals
from triage.intake.session import read_session
from triage.intake.sheet import SHEET_FILE, read_sheet
from triage.judge.doubt import load_model
from triage.listen.logmel import HOP_S, LogMel
from triage.ranking.findings import is_of_a_note
from triage.ranking.placing import place
from triage.ranking.scoring import judge
from triage.ranking.session_features import session_features
from triage.ranking.suppression import group_hits, without_harmless

EXPOSED, LOUD_DB, DOUBTED = 0.5, 25.0, 0.5
STEPS = 24  # thresholds that a baseline may choose from


class EvaluationConfig(Strict):
    """All of configs/noise_evaluation.toml: sessions with noises and clean ones, takes in each, and the collar.

    They are built as ``trial`` says, or in its place, while working, as ``noisy`` and ``clean`` say.
    """

    sessions: int
    clean_sessions: int
    takes: int
    collar_s: float
    clicks_a_track: int
    baselines: bool = True
    trial: TrialRecipe | None = None
    noisy: SceneRecipe | None = None
    clean: SceneRecipe | None = None


@dataclass(frozen=True)
class Detection:
    """One event as a finder reports it."""

    start_s: float
    end_s: float
    mic: str = ""
    kind: str = ""
    second_mic: str | None = None
    over_floor_db: float = np.inf


def match(planted: Sequence[PlantedNoise], found: Sequence[Detection], collar_s: float) -> list[tuple[int, int]]:
    """Return pairs (planted, found) that are the same sound, nearest starts first, each used once.

    Their starts lie within the collar, or at least half of the shorter one lies in the other: where a creak that
    swells begins is anybody's guess.
    """
    pairs = sorted(
        (abs(f.start_s - p.start_s), i, j)
        for i, p in enumerate(planted)
        for j, f in enumerate(found)
        if abs(f.start_s - p.start_s) <= collar_s or _half_shared(p, f)
    )
    used: tuple[set[int], set[int]] = set(), set()
    chosen = []
    for _, i, j in pairs:
        if i not in used[0] and j not in used[1]:
            chosen.append((i, j))
            used[0].add(i)
            used[1].add(j)
    return chosen


def _half_shared(planted: PlantedNoise, found: Detection) -> bool:
    shared = min(planted.end_s, found.end_s) - max(planted.start_s, found.start_s)
    return shared >= 0.5 * min(planted.end_s - planted.start_s, found.end_s - found.start_s) > 0


def score(
    planted: Sequence[PlantedNoise], found: Sequence[Detection], collar_s: float
) -> tuple[int, int, list[int], list[tuple[int, int]]]:
    """Return exposed events found, those of them 25 dB over the floor, which were found falsely, and the pairs.

    Finding a noise that is hardly audible counts as neither right nor wrong.
    """
    pairs = match(planted, found, collar_s)
    good = [i for i, _ in pairs if planted[i].exposed >= EXPOSED]
    matched = {j for _, j in pairs}
    false = [j for j, f in enumerate(found) if j not in matched and not _of_inaudible(f, planted)]
    return len(good), sum(planted[i].over_floor_db >= LOUD_DB for i in good), false, pairs


def _of_inaudible(found: Detection, planted: Sequence[PlantedNoise]) -> bool:
    return any(
        p.exposed < EXPOSED and found.start_s < p.end_s + 0.1 and found.end_s > p.start_s - 0.1 for p in planted
    )


def evaluate_session(
    config: EvaluationConfig, recordings: Path, public: Sequence[Recording], number: int, noisy: bool
) -> Tally:
    """Build one session, take it in, judge it, and count."""
    torch.set_num_threads(1)
    tally, truth = Tally(), {}
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        for name, scene in session_scenes(config, recordings, public, number, noisy, folder):
            truth[name] = scene
            if config.baselines:
                _baselines(tally, scene)
            if not noisy:
                rng = np.random.default_rng([13, number, len(truth)])
                tally.clicks += count_clicks(scene.tracks, scene.rate_hz, config.clicks_a_track, rng)
            truth[name] = replace(scene, tracks=np.zeros((0, 0)))  # they lie in the folder
        taken_in(tally, folder, truth, config.collar_s)
    return tally


def session_scenes(
    config: EvaluationConfig, recordings: Path, public: Sequence[Recording], number: int, noisy: bool, folder: Path
) -> Iterator[tuple[str, Scene]]:
    """Write one session into a folder and yield its takes with their truth."""
    if config.trial:
        own = [one for one in public if one.for_testing]
        yield from built_trial(config.trial, config.takes, recordings, own, folder, number, noisy)
        return
    recipe = config.noisy if noisy else config.clean
    if recipe is None:
        raise AudioError("name [trial], or both [noisy] and [clean], in the configuration")
    rng = np.random.default_rng([recipe.seed, 13, number])
    own = [one for one in public if not one.for_testing]
    instrument = recipe.instruments[number % len(recipe.instruments)]
    yield from built_scenes(recipe, config.takes, recordings, own, folder, rng, instrument)


def taken_in(tally: Tally, folder: Path, truth: Mapping[str, Scene], collar_s: float) -> None:
    """Take a session in, judge it and count."""
    session = read_session(folder)
    arrived = check_arrivals(folder, session, read_sheet(folder / SHEET_FILE, session.middle_c_octave))
    analysed = [analyse_take(take, folder, session.reference_mic_name(), session.a4_hz) for take in arrived.takes]
    analysed = without_harmless(group_hits(analysed, {}))
    placed, missing, _ = place(analysed, session.a4_hz)
    judgement = judge(session_features(placed, missing, {}), load_model())
    for take in analysed:
        if take.duration_s is None:  # a take that was not analysed must not pass for one without hits
            raise AudioError(f"{take.name}: not analysed ({take.problem}); see the message")
        planted = truth[take.name].planted
        tally.minutes += (take.duration_s or 0.0) / 60
        hits = [hit for hit in take.hits if is_of_a_note(hit) and (hit.exposed or 0.0) >= EXPOSED]
        found = [Detection(h.start_s, h.end_s, h.mic, h.kind, h.second_mic, h.over_floor_db or 0.0) for h in hits]
        pairs = _count(tally, TOOL, planted, found, collar_s)
        exposed = [(planted[i], found[j]) for i, j in pairs if planted[i].exposed >= EXPOSED]
        tally.near += [p.nearest == f.mic for p, f in exposed]
        tally.near_either += [p.nearest in (f.mic, f.second_mic) for p, f in exposed]
        met = {i for i, _ in pairs}
        tally.sources += [(p.source or "recorded", i in met) for i, p in enumerate(planted) if p.exposed >= EXPOSED]
        tally.kinds += [(p.kind, f.kind) for p, f in exposed]
        tally.true_all += sum(p.exposed >= EXPOSED for p in planted)
        tally.true_loud += sum(p.exposed >= EXPOSED and p.over_floor_db >= LOUD_DB for p in planted)
        spots = [s for s in judgement.spots if s.take == take.name and s.kind in NOISES and s.doubt >= DOUBTED]
        tally.doubted += len(spots)
        for control in (p for p in planted if p.where == "masked"):  # 30 dB under the note, whatever the model says
            tally.masked += 1
            spans = [*((f.start_s, f.end_s) for f in found), *((s.start_s, s.end_s) for s in spots)]
            tally.masked_flagged += any(_overlaps(*span, control) for span in spans)


def _overlaps(start_s: float, end_s: float, control: PlantedNoise) -> bool:
    return start_s < control.end_s and end_s > control.start_s - 0.05


def _count(
    tally: Tally, name: str, planted: Sequence[PlantedNoise], found: Sequence[Detection], collar_s: float
) -> list[tuple[int, int]]:
    good, loud, false, pairs = score(planted, found, collar_s)
    strong = sum(found[j].over_floor_db >= LOUD_DB for j in false)
    counts = (tally.hit_all, good), (tally.hit_loud, loud), (tally.false, len(false)), (tally.false_loud, strong)
    for table, count in counts:
        table[name] = table.get(name, 0) + count
    return pairs


def _baselines(tally: Tally, scene: Scene, collar_s: float = 0.15) -> None:
    """Count what every baseline finds at each of its thresholds, under the name ``baseline/threshold``."""
    transform = LogMel(scene.rate_hz)
    frames = transform(scene.tracks.astype(np.float32))
    level = 10 * np.log10((10 ** (frames / 10)).sum(axis=1))
    over = (level - np.percentile(level, 5, axis=1, keepdims=True)).max(axis=0)
    for name, rate in BASELINES.items():
        scores = np.stack([rate(own, transform.band_hz()) for own in frames])
        low, high = THRESHOLDS[name]
        for threshold in np.linspace(low, high, STEPS):
            spans = events(scores, threshold)
            found = [Detection(a * HOP_S, b * HOP_S, over_floor_db=float(over[a:b].max())) for a, b in spans]
            _count(tally, f"{name}/{threshold:.4g}", scene.planted, found, collar_s)


THRESHOLDS = {
    "energy above 4 kHz": (2.0, 40.0),
    "spectral flux": (1.0, 20.0),
    "isolation forest on frames": (0.4, 0.8),
}


def evaluate(config: EvaluationConfig, recordings: Path, public: Sequence[Recording]) -> dict[str, Any]:
    """Build, analyse and count all sessions, one a core."""
    work = [(number, True) for number in range(config.sessions)]
    work += [(number, False) for number in range(config.clean_sessions)]
    with ProcessPoolExecutor(cores(), mp_context=get_context("spawn")) as pool:
        waiting = [pool.submit(evaluate_session, config, recordings, public, *one) for one in work]
        tallies = [one.result() for one in waiting]
    return report(tallies[: config.sessions], tallies[config.sessions :])


def noise_main(
    recordings: Annotated[Path, typer.Option(help="Folder with notes.csv and noise.csv")],
    public: Annotated[Path | None, typer.Option(help="Folder of the public collections' checkouts")] = None,
    config_file: Annotated[Path | None, typer.Option("--config")] = None,
    out: Annotated[Path | None, typer.Option(help="File for the figures as JSON")] = None,
) -> None:
    """Print how well noises are found on notes and clips that nothing was tuned on, against general baselines."""
    config = read_toml(config_file or shipped("configs/noise_evaluation.toml"), EvaluationConfig)
    found = evaluate(config, recordings, read_public(public)[0] if public else [])
    print(printed(found))
    if out:
        out.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    typer.run(noise_main)
