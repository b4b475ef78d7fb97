"""Expected values: what the judge expected of every note, in the measurements' own units, for the desk to draw.

The features of a session go in; one record a take comes out. The band is that in which 19 of 20 good notes lie.
"""

from collections.abc import Iterator

import numpy as np

from triage.domain.judgement import ExpectedValues
from triage.domain.measurements import COMPARED
from triage.judge.features import off_axis
from triage.ranking.session_features import SessionFeatures

BAND_SIGMAS = 2.0  # on either side: of a normal distribution 95.4 % lie within


def expected_values(features: SessionFeatures) -> Iterator[ExpectedValues]:
    """Yield what was expected of the notes of each take: value, low and high end of the band, NaN where unknown."""
    names = tuple(name for name in COMPARED if name in features.notes.deviations)
    columns = []
    for name in names:
        one = features.notes.deviations[name]
        reach = BAND_SIGMAS * one.scale
        ends = (one.expected, one.expected - reach, one.expected + reach)
        columns.append(np.stack([off_axis(name, end) for end in ends], axis=-1))
    table = features.table
    every = np.stack(columns, axis=1).astype("<f4") if columns else np.zeros((len(table), 0, 3), "<f4")
    for take in np.unique(table.take):
        rows = np.flatnonzero(table.take == take)
        yield ExpectedValues(str(take), tuple(map(int, table.number[rows])), names, every[rows].tobytes())
