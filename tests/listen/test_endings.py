"""Endings: tails of a known fall over a known floor, cut at a known place."""

import numpy as np
import pytest

from tests.listen.sounds import RATE_HZ, floor, tone
from triage.listen.endings import ending
from triage.listen.logmel import LogMel

FALL_DB_S = 60.0


def ended(after_s, rate_hz=RATE_HZ, note_db=-20.0, floor_db=-80.0):
    """A note of 1 s whose tail falls by FALL_DB_S, over a floor that sounds before it, until after_s of the tail."""
    t = np.arange(round((1.0 + after_s) * rate_hz)) / rate_hz
    note = tone(220.0, 1.0 + after_s, rate_hz, level_db=note_db, release_s=1e-6)
    wave = np.concatenate((np.zeros(2 * rate_hz), note * 10 ** (-np.maximum(0, t - 1.0) * FALL_DB_S / 20)))
    return wave + floor(len(wave) / rate_hz, rate_hz, floor_db)[: len(wave)]


def heard(wave, rate_hz=RATE_HZ):
    return ending(LogMel(rate_hz)(wave[None].astype(np.float32))[0])


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_a_cut_tail_lies_over_its_background_and_falls_as_the_room_does(rate_hz):
    early, later = heard(ended(0.2, rate_hz), rate_hz), heard(ended(0.45, rate_hz), rate_hz)
    assert early.over_db - later.over_db == pytest.approx(0.25 * FALL_DB_S, abs=2.0)
    assert later.over_db > 15.0 and later.fall_db_s == pytest.approx(FALL_DB_S, abs=8.0)


def test_a_tail_that_was_let_ring_and_a_file_of_silence_end_at_the_background():
    assert heard(ended(2.0)).over_db < 5.0
    assert heard(np.concatenate((ended(2.0), np.zeros(RATE_HZ)))).over_db < 0.0
    assert heard(np.zeros(2 * RATE_HZ)).over_db == pytest.approx(0.0, abs=1e-3)


def test_a_note_that_is_stopped_while_it_is_held_does_not_fall():
    found = heard(ended(0.0))
    assert found.over_db > 30.0 and found.fall_db_s == pytest.approx(0.0, abs=5.0)


def test_a_track_of_less_than_a_second_says_nothing():
    assert heard(floor(0.9)) is None
