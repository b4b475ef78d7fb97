"""What somebody called harmless no longer speaks through the encoder either."""

import numpy as np
import pytest

from tests.noisy import take
from triage.domain.hit import Hit
from triage.ranking.note_table import note_table
from triage.ranking.session_features import without_sounds


@pytest.mark.parametrize("at_s, heard", [(6.4, False), (7.5, True)])
def test_the_encoders_noise_goes_where_it_was_clearest_at_the_sound(at_s, heard):
    table = note_table([take(3)])
    n = len(table)
    for column in (table.activation_mean, table.activation_peak, table.activation_peak_s):
        column["noise"] = np.full(n, 2.0)
    table.activation_peak_s["noise"][2] = at_s
    creak = Hit("creak", 6.36, 6.76, "room", ("room",), -50.0, 20.0, 0.9, 3)
    mean = without_sounds(table, {"T003": [creak]}).activation_mean["noise"]
    assert np.isfinite(mean[2]) == heard and np.isfinite(np.delete(mean, 2)).all()
    assert np.isfinite(table.activation_mean["noise"]).all()  # the table itself is as it was
