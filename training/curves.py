"""Plots of a training that MLflow keeps with its run, as pages that open without a network."""

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from sklearn.calibration import calibration_curve

from triage.sheets.figure import GREY, TONES, Panels, Point, Series, svg

BINS = 8


def calibration_page(held_out: Sequence[tuple[np.ndarray, np.ndarray]]) -> str:
    """Return a page with the predicted doubt against the observed rejects, for takes of sessions held out."""
    doubts = np.concatenate([one for one, _ in held_out]) if held_out else np.zeros(0)
    rejected = np.concatenate([one for _, one in held_out]) if held_out else np.zeros(0)
    series = [Series(0, GREY, name="perfectly calibrated", in_legend=True, line=((0, 0), (1, 1)))]
    if len(set(rejected)) == 2:
        true, predicted = calibration_curve(rejected, doubts, n_bins=min(BINS, len(rejected)), strategy="quantile")
        series.append(_series(TONES[0], "takes", zip(predicted, true, strict=True)))
    return _page("Doubt against rejects, held-out takes", "share rejected", series, "doubt")


def curve_page(scores: Mapping[str, Sequence[Mapping[str, float]]]) -> str:
    """Return a page with each model's AUROC on every session held out."""
    series = [
        _series(TONES[number % len(TONES)], name, enumerate((row["auroc"] for row in rows), 1))
        for number, (name, rows) in enumerate(scores.items())
    ]
    return _page("AUROC by held-out session", "AUROC", series, "session")


def _series(tone: str, name: str, places: Iterable[tuple[float, float]]) -> Series:
    points = tuple(Point(float(x), float(y), "", name) for x, y in places)
    return Series(0, tone, name=name, in_legend=True, points=points, line=tuple((p.x, p.y) for p in points))


def _page(title: str, y_title: str, series: Sequence[Series], x_title: str) -> str:
    figure = Panels((y_title,), tuple(series), x_title=x_title, height=360.0)
    return f'<!doctype html><meta charset="utf-8"><title>{title}</title><h1>{title}</h1>{svg(figure, title)}'
