"""Validation of the encoder on held-out instruments, rooms and noises, note by note, before any verdict.

Used while training; training/evaluate.py evaluates the whole queue.
"""

import math

import numpy as np
import torch
from sklearn.linear_model import LogisticRegression, Ridge
from sklearn.metrics import roc_auc_score
from torch import Tensor

from training.batches import VIEWS, Batch, EncoderRenderer
from training.layout import plan
from training.pool import KINDS
from triage.judge.outliers import local_knn
from triage.listen.embed import FixedEmbedding
from triage.listen.encoder import ACTIVATION_KINDS, DIRECTIONS, NOISES, Network
from triage.listen.notes import NoteSegment


class EncoderValidation:
    """Takes of held-out instruments in unseen rooms, two of each take, rendered once for all validations."""

    def __init__(self, renderer: EncoderRenderer, parts: list[int], episodes: int, seed: int):
        recipe = renderer.recipe
        rng = np.random.default_rng([seed, 10])
        rounds = max(1, episodes // recipe.episodes)
        with torch.no_grad():
            self.batches = [
                renderer.render(plan(renderer.pool, parts, recipe, rng), 77_000 + i) for i in range(rounds)
            ]
        self.takes = recipe.takes
        self.fixed = self._notes([self._fixed(batch) for batch in self.batches])

    def __call__(self, network: Network) -> dict[str, float]:
        """Return the scores of a network: higher is better, but for room_cost and room_share."""
        with torch.no_grad():
            found = [network(batch.frames, batch.lengths, batch.times) for batch in self.batches]
        notes, logits = self._notes([vectors for vectors, _ in found]), [own for _, own in found]
        one_sided = notes["vector"] @ network.direction.weight.detach().float().cpu().numpy().T
        played = [self._activation_auroc(logits, kind) for kind in range(1 + len(NOISES), len(ACTIVATION_KINDS))]
        activations = {
            "val/evidence_noise": self._activation_auroc(logits, 0),
            "val/evidence_played": float(np.nanmean(played)),
        }
        return scores(notes) | one_sided_scores(notes, one_sided) | activations

    def baseline(self) -> dict[str, float]:
        """Return the scores of the mel cepstra on the same takes."""
        return {name.replace("val/", "cepstra/"): value for name, value in scores(self.fixed).items()}

    def _fixed(self, batch: Batch) -> Tensor:
        frames, times = batch.frames.float().cpu().numpy(), batch.times.cpu().numpy()
        embedding = FixedEmbedding()
        notes = [[NoteSegment(float(s), float(e), float(r), 0.0) for s, e, r in row] for row in times]
        rows = [embedding.embed(row, own) for row, own in zip(frames, notes, strict=True)]
        return torch.from_numpy(np.stack(rows))

    def _activation_auroc(self, logits: list[Tensor], kind: int) -> float:
        labelled = [
            (x[:, kind][b.weight[:, kind] > 0], b.activations[:, kind][b.weight[:, kind] > 0])
            for x, b in zip(logits, self.batches, strict=True)
        ]
        score, truth = (torch.cat(column).float().cpu().numpy() for column in zip(*labelled, strict=True))
        return float(roc_auc_score(truth > 0.5, score)) if 0 < truth.sum() < len(truth) else math.nan

    def _notes(self, vectors: list[Tensor]) -> dict[str, np.ndarray]:
        """Return all notes of all batches, one entry a note."""
        columns: dict[str, list[np.ndarray]] = {}
        episode = 0
        for own, batch in zip(vectors, self.batches, strict=True):
            mask = batch.mask.cpu()
            row, _ = torch.nonzero(mask, as_tuple=True)
            half = len(mask) // VIEWS
            names = ("kind", "labelled", "pitch", "note", "measures")
            parts = {name: getattr(batch, name).cpu()[mask] for name in names} | {
                "vector": own.float().cpu()[mask],
                "take": episode * 1000 + row,
                "cohort": episode * 1000 + row // self.takes,
                "view": row // half,
                "episode": episode * 1000 + row % half // self.takes,
            }
            for name, value in parts.items():
                columns.setdefault(name, []).append(value.numpy())
            episode += 1
        return {name: np.concatenate(values) for name, values in columns.items()}


def scores(notes: dict[str, np.ndarray]) -> dict[str, float]:
    """Return how well vectors separate spoilt notes from good ones, and how little they depend on the room.

    knn: AUROC over notes of local_knn, the tool's own outlier score. probe: AUROC of a logistic regression on the
    difference from the cohort's median, fitted on half of the episodes. again: share of notes whose nearest vector
    of the other room, within the episode, is the same note. room_cost: AUROC of the probe where it was fitted in the
    other room, less that where it was fitted in this one.
    """
    vector, kind, labelled, cohort = notes["vector"], notes["kind"], notes["labelled"], notes["cohort"]
    difference, bad = _less_median(vector, cohort), kind > 0
    knn = local_knn(vector, cohort, notes["pitch"].astype(float), notes["take"], 5)
    distance = _less_median(np.log(np.linalg.norm(difference, axis=1) + 1e-6), cohort)
    found = {
        "val/knn": _auroc(bad[labelled], knn[labelled]),
        "val/distance": _auroc(bad[labelled], distance[labelled]),
    }
    for index, name in enumerate(KINDS[1:], start=1):
        own = labelled & ((kind == 0) | (kind == index))
        found[f"val/distance_{name}"] = _auroc(kind[own] > 0, distance[own])
    same_room, other_room = _probe(notes, difference)
    return found | {
        "val/probe": same_room,
        "val/room_cost": same_room - other_room,
        "val/again": _again(notes, difference),
        "val/measured": _measured(notes, difference),
        "val/room_share": _room_share(notes, difference),
    }


def one_sided_scores(notes: dict[str, np.ndarray], one_sided: np.ndarray) -> dict[str, float]:
    """Return the AUROC of each one-sided output, less the cohort's median, for its own fault against good notes."""
    difference, kind, found = _less_median(one_sided, notes["cohort"]), notes["kind"], {}
    for column, name in enumerate(DIRECTIONS):
        own = notes["labelled"] & ((kind == 0) | (kind == KINDS.index(name)))
        found[f"val/lean_{name}"] = _auroc(kind[own] > 0, difference[own, column])
    return found


def _less_median(values: np.ndarray, cohort: np.ndarray) -> np.ndarray:
    return values - np.stack([np.median(values[cohort == c], axis=0) for c in cohort])


def _probe(notes: dict[str, np.ndarray], difference: np.ndarray) -> tuple[float, float]:
    """Return the mean AUROC of the linear probe in the room where it was fitted, and in the other."""
    train, bad = notes["episode"] % 2 == 0, notes["kind"] > 0
    in_room = [notes["labelled"] & (notes["view"] == view) for view in range(VIEWS)]
    probes = [
        LogisticRegression(C=0.1, max_iter=2000).fit(difference[train & room], bad[train & room]) for room in in_room
    ]

    def mean_auroc(rooms: list[np.ndarray]) -> float:
        tests = [(probe, ~train & room) for probe, room in zip(probes, rooms, strict=True)]
        return float(np.mean([_auroc(bad[use], probe.decision_function(difference[use])) for probe, use in tests]))

    return mean_auroc(in_room), mean_auroc(in_room[::-1])


def _again(notes: dict[str, np.ndarray], difference: np.ndarray) -> float:
    hits = []
    for episode in np.unique(notes["episode"]):
        one, two = (np.flatnonzero((notes["episode"] == episode) & (notes["view"] == v)) for v in range(VIEWS))
        distance = np.linalg.norm(difference[one, None] - difference[None, two], axis=2)
        hits += list(notes["note"][two][distance.argmin(axis=1)] == notes["note"][one])
    return float(np.mean(hits))


def _measured(notes: dict[str, np.ndarray], difference: np.ndarray) -> float:
    """Return how much of the measurements' variance a linear regression explains: mean R^2 on the other half."""
    if len(set(notes["episode"])) < 2:
        return math.nan
    target, train = _less_median(notes["measures"], notes["cohort"]), notes["episode"] % 2 == 0
    found = Ridge(alpha=1.0).fit(difference[train], target[train]).predict(difference[~train])
    return float(np.mean(1 - ((target[~train] - found) ** 2).mean(axis=0) / (target[~train].var(axis=0) + 1e-9)))


def _room_share(notes: dict[str, np.ndarray], difference: np.ndarray) -> float:
    """Return the share of the variance of good notes' differences that comes with the room: 0 none, 1 all."""
    first, second = notes["view"] == 0, notes["view"] == 1  # the same notes in the same order
    good = notes["labelled"] & (notes["kind"] == 0)
    both = good[first] & good[second]
    one, two = difference[first][both], difference[second][both]
    return float(((one - two) ** 2).sum() / 2 / ((one**2).sum() + (two**2).sum()) * 2) if both.any() else math.nan


def _auroc(truth: np.ndarray, score: np.ndarray) -> float:
    known = np.isfinite(score)
    return float(roc_auc_score(truth[known], score[known])) if 0 < truth[known].sum() < known.sum() else math.nan
