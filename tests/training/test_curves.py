"""The plots that are kept with a training."""

import re

import numpy as np

from training.curves import calibration_page, curve_page


def test_the_calibration_shows_the_share_of_rejects_in_each_bin_of_doubt():
    doubt = np.repeat([0.1, 0.9], 40)
    rejected = np.concatenate([np.arange(40) < 4, np.arange(40) < 36]).astype(float)  # a tenth, nine tenths
    page = calibration_page([(doubt[:40], rejected[:40]), (doubt[40:], rejected[40:])])
    shown = [float(value) for value in re.findall(r'data-label="takes: ([^"]+)"', page)]
    assert shown[0] == 0.1 and shown[-1] == 0.9
    assert "http" not in page and "<script" not in page


def test_without_verdicts_the_diagonal_stands_alone():
    assert "perfectly calibrated" in calibration_page([]) and "data-note" not in calibration_page([])


def test_every_model_and_session_is_shown():
    page = curve_page({"shipped": [{"auroc": 0.7}, {"auroc": 0.8}], "new": [{"auroc": 0.75}, {"auroc": 0.85}]})
    assert re.findall(r'data-label="(\w+): ([\d.]+)"', page) == [
        ("shipped", "0.7"),
        ("shipped", "0.8"),
        ("new", "0.75"),
        ("new", "0.85"),
    ]
