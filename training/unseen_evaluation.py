"""How good an encoder is on instruments, rooms and noises that it never heard, note by note, before any verdict.

Used while training; how good the whole queue is says training/evaluate.py.
"""

import math

import numpy as np
import torch
from sklearn.linear_model import LogisticRegression, Ridge
from sklearn.metrics import roc_auc_score
from torch import Tensor

from training.batches import VIEWS, Batch, Stage
from training.layout import plan
from training.pool import KINDS
from triage.judge.outliers import local_knn
from triage.listen.embed import FixedEmbedding
from triage.listen.encoder import EVIDENCE, LEANINGS, NOISES, Network
from triage.listen.notes import NoteSegment


class Validation:
    """Takes of unheard instruments in unheard rooms, each in two; rendered once and asked again and again."""

    def __init__(self, stage: Stage, parts: list[int], episodes: int, seed: int):
        recipe = stage.recipe
        rng = np.random.default_rng([seed, 10])
        rounds = max(1, episodes // recipe.episodes)
        with torch.no_grad():
            self.batches = [stage.hear(plan(stage.pool, parts, recipe, rng), 77_000 + i) for i in range(rounds)]
        self.takes = recipe.takes
        self.simple = self._labels([self._fixed(batch) for batch in self.batches])

    def __call__(self, network: Network) -> dict[str, float]:
        """Return the scores of a network: higher is better, but for room_cost and room_share."""
        with torch.no_grad():
            heard = [network(batch.frames, batch.lengths, batch.times) for batch in self.batches]
        own = self._labels([vectors for vectors, _ in heard])
        leanings = own["vector"] @ network.lean.weight.detach().float().cpu().numpy().T
        return (
            scores(own)
            | lean_scores(own, leanings)
            | {
                "val/evidence_noise": self._evidence([logits for _, logits in heard], 0),
                "val/evidence_played": float(
                    np.nanmean(
                        [
                            self._evidence([logits for _, logits in heard], k)
                            for k in range(1 + len(NOISES), len(EVIDENCE))
                        ]
                    )
                ),
            }
        )

    def simplest(self) -> dict[str, float]:
        """Return the scores of the mel cepstra on the same takes."""
        return {name.replace("val/", "cepstra/"): value for name, value in scores(self.simple).items()}

    def _fixed(self, batch: Batch) -> Tensor:
        frames, times = batch.frames.float().cpu().numpy(), batch.times.cpu().numpy()
        embedding = FixedEmbedding()
        notes = [[NoteSegment(float(s), float(e), float(r), 0.0) for s, e, r in row] for row in times]
        rows = [embedding.embed(row, own) for row, own in zip(frames, notes, strict=True)]
        return torch.from_numpy(np.stack(rows))

    def _evidence(self, logits: list[Tensor], kind: int) -> float:
        known = [
            (x[:, kind][b.weight[:, kind] > 0], b.evidence[:, kind][b.weight[:, kind] > 0])
            for x, b in zip(logits, self.batches, strict=True)
        ]
        score, truth = (torch.cat(column).float().cpu().numpy() for column in zip(*known, strict=True))
        return float(roc_auc_score(truth > 0.5, score)) if 0 < truth.sum() < len(truth) else math.nan

    def _labels(self, vectors: list[Tensor]) -> dict[str, np.ndarray]:
        """Return all notes of all batches, one entry a note."""
        columns: dict[str, list[np.ndarray]] = {}
        episode = 0
        for found, batch in zip(vectors, self.batches, strict=True):
            there = batch.there.cpu()
            row, _ = torch.nonzero(there, as_tuple=True)
            half = len(there) // VIEWS
            names = ("kind", "sure", "pitch", "note", "measures")
            parts = {name: getattr(batch, name).cpu()[there] for name in names} | {
                "vector": found.float().cpu()[there],
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
    """Return how well vectors tell spoilt notes from good ones, and how little of them is room.

    knn: AUROC over notes of local_knn, the tool's own outlier score. probe: AUROC of a logistic regression on the
    difference from the cohort's median, fitted on half of the episodes. again: share of notes whose nearest vector
    of the other room, within the episode, is the same note. room_cost: AUROC of the probe where it was fitted in the
    other room, less that where it was fitted in this one.
    """
    vector, kind, sure, cohort = notes["vector"], notes["kind"], notes["sure"], notes["cohort"]
    off = vector - np.stack([np.median(vector[cohort == c], axis=0) for c in cohort])
    bad = kind > 0
    away = local_knn(vector, cohort, notes["pitch"].astype(float), notes["take"], 5)
    plain = np.log(np.linalg.norm(off, axis=1) + 1e-6)
    plain -= np.array([np.median(plain[cohort == c]) for c in cohort])
    found = {"val/knn": _auroc(bad[sure], away[sure]), "val/distance": _auroc(bad[sure], plain[sure])}
    for index, name in enumerate(KINDS[1:], start=1):
        own = sure & ((kind == 0) | (kind == index))
        found[f"val/distance_{name}"] = _auroc(kind[own] > 0, plain[own])
    first = notes["episode"] % 2 == 0
    probes = [
        LogisticRegression(C=0.1, max_iter=2000).fit(off[use], bad[use])
        for use in (first & sure & (notes["view"] == 0), first & sure & (notes["view"] == 1))
    ]
    here, there = (
        [_auroc(bad[use], probe.decision_function(off[use])) for probe, use in pairs]
        for pairs in (
            [(p, ~first & sure & (notes["view"] == v)) for v, p in enumerate(probes)],
            [(p, ~first & sure & (notes["view"] == 1 - v)) for v, p in enumerate(probes)],
        )
    )
    found["val/probe"], found["val/room_cost"] = float(np.mean(here)), float(np.mean(here) - np.mean(there))
    found["val/again"] = _again(notes, off)
    found["val/measured"] = _measured(notes, off)
    found["val/room_share"] = _room_share(notes, off)
    return found


def lean_scores(notes: dict[str, np.ndarray], leanings: np.ndarray) -> dict[str, float]:
    """Return the AUROC of each leaning, less the cohort's median, for its own fault against good notes."""
    off = leanings - np.stack([np.median(leanings[notes["cohort"] == c], axis=0) for c in notes["cohort"]])
    kind, found = notes["kind"], {}
    for column, name in enumerate(LEANINGS):
        own = notes["sure"] & ((kind == 0) | (kind == KINDS.index(name)))
        found[f"val/lean_{name}"] = _auroc(kind[own] > 0, off[own, column])
    return found


def _again(notes: dict[str, np.ndarray], off: np.ndarray) -> float:
    hits = []
    for episode in np.unique(notes["episode"]):
        one, two = (np.flatnonzero((notes["episode"] == episode) & (notes["view"] == v)) for v in range(VIEWS))
        away = np.linalg.norm(off[one, None] - off[None, two], axis=2)
        hits += list(notes["note"][two][away.argmin(axis=1)] == notes["note"][one])
    return float(np.mean(hits))


def _measured(notes: dict[str, np.ndarray], off: np.ndarray) -> float:
    """Return how much of the measurements' variance a linear reading explains: mean R^2 on the other half."""
    wanted = notes["measures"] - np.stack(
        [np.median(notes["measures"][notes["cohort"] == c], axis=0) for c in notes["cohort"]]
    )
    first = notes["episode"] % 2 == 0
    if len(set(notes["episode"])) < 2:
        return math.nan
    read = Ridge(alpha=1.0).fit(off[first], wanted[first]).predict(off[~first])
    return float(np.mean(1 - ((wanted[~first] - read) ** 2).mean(axis=0) / (wanted[~first].var(axis=0) + 1e-9)))


def _room_share(notes: dict[str, np.ndarray], off: np.ndarray) -> float:
    """Return the share of the variance of good notes' differences that comes with the room: 0 none, 1 all."""
    first, second = notes["view"] == 0, notes["view"] == 1  # the same notes in the same order
    fine = notes["sure"][first] & notes["sure"][second] & (notes["kind"][first] == 0) & (notes["kind"][second] == 0)
    one, two = off[first][fine], off[second][fine]
    return float(((one - two) ** 2).sum() / 2 / ((one**2).sum() + (two**2).sum()) * 2) if fine.any() else math.nan


def _auroc(truth: np.ndarray, score: np.ndarray) -> float:
    known = np.isfinite(score)
    return float(roc_auc_score(truth[known], score[known])) if 0 < truth[known].sum() < known.sum() else math.nan
