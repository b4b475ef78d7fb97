"""Builds a session folder with known faults: session.toml, take_sheet.csv, audio/*.wav, and truth.json.

The first three are what any session brings; truth.json lies beside them and is for evaluation alone. The
same recipe, recordings and seed give the same bytes.
"""

import csv
import json
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from training.note_editing import Array
from training.plans import NOISE, Stage, TakePlan, Truth
from training.recipe import Recipe, TakesRecipe
from training.recordings import RecordedNoise, RecordedPlayer, list_notes
from training.rooms import build_hall
from training.takes import PLAYED_KINDS, render
from training.technical_faults import MISHAPS
from triage.domain.errors import ConfigError

SHEET_COLUMNS = ("take", "instrument", "articulation", "dynamic", "pitches", "repetitions", "remark")
Progress = Callable[[int, int], None]  # takes done, takes in all


def build(
    recipe: Recipe,
    folder_out: Path,
    recordings: Path,
    seed: int,
    instruments: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> Truth:
    """Build a session from real notes of ``instruments`` (None = all); return what truth.json holds."""
    notes = list_notes(recordings, recipe, None if instruments is None else tuple(instruments))
    player = RecordedPlayer(notes, recipe)
    noise = RecordedNoise(recordings, recipe)
    rng = np.random.default_rng([seed, 1])
    parts = {part: sorted(pitches) for part, pitches in player.by_pitch.items()}
    depth = {part: max(map(len, pitches.values())) for part, pitches in player.by_pitch.items()}
    plans = plan_takes(parts, depth, recipe.takes, rng)
    hall = build_hall(recipe.mics, recipe.hall, recipe.session.sample_rate_hz, seed)
    return write_session(plans, Stage(recipe, hall, player, noise), folder_out, seed, progress)


def plan_takes(
    parts: dict[tuple[str, str, str], list[int]],
    depth: dict[tuple[str, str, str], int],
    recipe: TakesRecipe,
    rng: np.random.Generator,
) -> list[TakePlan]:
    """Cut every part's pitches into takes of a few neighbours each; whole parts, until ``most`` is reached.

    ``depth`` is the number of recordings of a pitch: where there are several, no take repeats more often.
    """
    usable = sorted(part for part, pitches in parts.items() if len(pitches) >= recipe.least_pitches)
    chosen: list[tuple[tuple[str, str, str], tuple[int, ...], int]] = []
    for index in rng.permutation(len(usable)):
        part = usable[index]
        groups = _groups(parts[part], recipe.pitches, rng)
        low, high = recipe.repetitions
        most = depth[part] if depth[part] > 1 else low
        sampled = int(rng.integers(low, high + 1))
        if not chosen or len(chosen) + len(groups) <= recipe.most:
            chosen += [(part, group, max(1, min(most, sampled))) for group in groups]
    chosen.sort(key=lambda one: one[0])  # a real day goes through one instrument after another
    return [TakePlan(f"T{n:03d}", *part, group, count) for n, (part, group, count) in enumerate(chosen, 1)]


def _groups(pitches: list[int], size: tuple[int, int], rng: np.random.Generator) -> list[tuple[int, ...]]:
    groups: list[tuple[int, ...]] = []
    rest = list(pitches)
    while rest:
        count = int(rng.integers(size[0], size[1] + 1))
        if len(rest) - count < size[0]:  # a last take of one or two notes would be an odd one
            count = len(rest) if len(rest) <= size[1] + 1 else len(rest) // 2
        groups.append(tuple(rest[:count]))
        rest = rest[count:]
    return groups


def draw_faults(count: int, recipe: Recipe, rng: np.random.Generator) -> list[str]:
    """Return the kinds for ``count`` spoilt takes: as near to the weights as whole numbers go, shuffled."""
    # Digital clicks keep the place that their old name gave them: the same seed deals the same faults.
    kinds = sorted(recipe.faults.weights, key=lambda kind: kind.removeprefix("digital-"))
    if unknown := set(kinds) - PLAYED_KINDS - set(MISHAPS) - {NOISE}:
        raise ConfigError(
            f"[faults.weights]: unknown kind {min(unknown)!r}; see performance_faults.py, technical_faults.py"
        )
    share = np.cumsum([recipe.faults.weights[kind] for kind in kinds])
    # Systematic sampling: evenly spaced pointers on the weights, so no kind is over-served by luck.
    pointers = (np.arange(count) + rng.uniform()) / max(count, 1) * share[-1]
    dealt = [kinds[int(index)] for index in np.searchsorted(share, pointers, side="right")]
    return [dealt[int(index)] for index in rng.permutation(count)]


def write_session(
    plans: Sequence[TakePlan], stage: Stage, folder: Path, seed: int, progress: Progress | None = None
) -> Truth:
    """Render every take into ``folder`` and write the session's three inputs and its truth."""
    recipe = stage.recipe
    (folder / "audio").mkdir(parents=True, exist_ok=True)
    write_description(recipe, folder / "session.toml")
    write_sheet(plans, folder / "take_sheet.csv")
    rng = np.random.default_rng([seed, 2])
    bad = round(recipe.faults.share * len(plans))
    waiting = draw_faults(bad, recipe, rng)
    order = [int(index) for index in rng.permutation(len(plans))]  # the first ``bad`` ones get a fault
    takes: dict[str, Truth] = {}
    for done, index in enumerate(order, start=1):
        tracks, truth = _render_next(plans[index], stage, waiting, np.random.default_rng([seed, 3, index]))
        write_tracks(plans[index].name, tracks, recipe, folder / "audio")
        takes[plans[index].name] = truth
        if progress:
            progress(done, len(plans))
    whole = {"session": recipe.session.name, "seed": seed, "mics": _mics(stage), "recipe": _plain(recipe)}
    whole |= {"left_out": waiting, "takes": {plan.name: takes[plan.name] for plan in plans}}
    (folder / "truth.json").write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")
    return whole


def _render_next(plan: TakePlan, stage: Stage, waiting: list[str], rng: np.random.Generator) -> tuple[Array, Truth]:
    """Render a take with the first waiting fault that its notes can carry, if any waits."""
    for kind in dict.fromkeys(waiting):
        spoilt = render(plan, stage, kind, rng)
        if spoilt is not None:
            waiting.remove(kind)
            return spoilt
    clean = render(plan, stage, None, rng)
    assert clean is not None  # only a fault can fail to fit
    return clean


def write_tracks(take: str, tracks: Array, recipe: Recipe, folder: Path) -> None:
    """Write one file a microphone."""
    for mic, track in zip(recipe.mics, tracks, strict=True):
        path = folder / f"{take}_{mic.name}.wav"
        soundfile.write(path, track, recipe.session.sample_rate_hz, subtype=recipe.session.subtype)


def write_description(recipe: Recipe, path: Path) -> None:
    """Write session.toml."""
    head = recipe.session
    lines = [
        "[session]",
        f'name = "{head.name}"',
        f"date = {head.date.isoformat()}",
        f"sample_rate_hz = {head.sample_rate_hz}",
        f"a4_hz = {head.a4_hz}",
        "",
        "[files]",
        'folder = "audio"',
        'name = "{take}_{mic}.wav"',
    ]
    for mic in recipe.mics:
        lines += ["", "[[mics]]", f'name = "{mic.name}"', f'role = "{mic.role}"']
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_sheet(plans: Iterable[TakePlan], path: Path) -> None:
    """Write take_sheet.csv; pitches as MIDI numbers, which no octave convention can shift."""
    with path.open("w", newline="", encoding="utf-8") as lines:
        writer = csv.writer(lines, lineterminator="\n")
        writer.writerow(SHEET_COLUMNS)
        for plan in plans:
            pitches = " ".join(map(str, plan.pitches))
            writer.writerow((plan.name, *plan.part, pitches, plan.repetitions, ""))


def _mics(stage: Stage) -> list[dict[str, Any]]:
    return [
        {"name": mic.name, "role": mic.role, "delay_s": stage.hall.delay_s(index)}
        for index, mic in enumerate(stage.recipe.mics)
    ]


def _plain(recipe: Recipe) -> dict[str, Any]:
    return recipe.model_dump(mode="json")
