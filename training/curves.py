"""Curves: plots of a training that MLflow keeps with its run, as pages that open without a network."""

from collections.abc import Mapping, Sequence

import numpy as np
import plotly.graph_objects as go
from sklearn.calibration import calibration_curve

BINS = 8


def calibration_page(held_out: Sequence[tuple[np.ndarray, np.ndarray]]) -> str:
    """Return a page with what was said against what was true, for takes of sessions held out."""
    figure = go.Figure(
        layout={
            "title": "Doubt against rejects, held-out takes",
            "xaxis_title": "doubt",
            "yaxis_title": "share rejected",
        }
    )
    figure.add_scatter(x=[0, 1], y=[0, 1], mode="lines", name="as said", line={"dash": "dot"})
    doubts = np.concatenate([one for one, _ in held_out]) if held_out else np.zeros(0)
    rejected = np.concatenate([one for _, one in held_out]) if held_out else np.zeros(0)
    if len(set(rejected)) == 2:
        true, said = calibration_curve(rejected, doubts, n_bins=min(BINS, len(rejected)), strategy="quantile")
        figure.add_scatter(x=said, y=true, mode="lines+markers", name="takes")
    return str(figure.to_html(include_plotlyjs=True))


def curve_page(scores: Mapping[str, Sequence[Mapping[str, float]]]) -> str:
    """Return a page with each model's AUROC on every session held out."""
    figure = go.Figure(layout={"title": "AUROC by held-out session", "yaxis_title": "AUROC"})
    for name, rows in scores.items():
        figure.add_scatter(y=[row["auroc"] for row in rows], mode="markers+lines", name=name)
    return str(figure.to_html(include_plotlyjs=True))
