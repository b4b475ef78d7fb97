"""Sounds that lead into a note: neither notes nor faults where they come with an instrument's notes."""

from dataclasses import replace

import numpy as np
import pytest

from triage.domain.hit import Hit
from triage.domain.note import Note
from triage.domain.take import Take
from triage.listen.masking import exposure
from triage.listen.spurious_notes import without_bursts
from triage.ranking.note_table import nearby_noise, note_table, usual_lead_in_db

PITCHED, UNPITCHED = {"f0_hz": 220.0, "harmonicity_db": 25.0}, {"f0_hz": None, "harmonicity_db": None}


def note(number, start_s, length_s, measurements):
    return Note(number, start_s, start_s + length_s, start_s + length_s + 0.2, measurements=measurements)


def test_a_burst_without_pitch_before_a_note_is_no_note_more():
    notes = [note(1, 0.5, 1.0, PITCHED), note(2, 1.9, 0.12, UNPITCHED), note(3, 2.2, 1.0, PITCHED)]
    assert [one.number for one in without_bursts(notes, expected=2)] == [1, 3]


@pytest.mark.parametrize(
    "second, expected",
    [
        (note(2, 1.9, 0.12, PITCHED), 2),  # a note played twice
        (note(2, 1.9, 0.12, UNPITCHED), 3),  # the sheet asks for three: a note without pitch is heard, not lost
        (note(2, 1.9, 0.12, UNPITCHED), 0),  # the sheet does not say
        (note(2, 1.2, 0.12, UNPITCHED), 2),  # nothing follows soon
    ],
)
def test_what_may_be_a_note_stays(second, expected):
    notes = [note(1, 0.0, 1.0, PITCHED), second, note(3, 2.2, 1.0, PITCHED)]
    assert without_bursts(notes, expected) == notes


def session(excess_db):
    """Takes of one note each, with a sound that stands so far over what rings shortly before it."""
    takes = []
    for number, excess in enumerate(excess_db):
        own = note(1, 1.0, 1.0, {"level_dbfs": -20.0, "f0_hz": 220.0})
        hit = Hit("mechanism", 0.8, 0.9, "close", ("close",), -50.0, 20.0, exposure(excess), note=None)
        hits = () if excess is None else (hit,)
        takes.append(Take(f"T{number}", "", instrument="clarinet", notes=(own,), hits=hits, measured_mic="close"))
    return takes


def test_keys_that_come_with_the_notes_are_the_instruments_own():
    rng = np.random.default_rng(1)
    takes = session([*rng.normal(10, 1.5, 20), 30.0])
    assert 10 < usual_lead_in_db(takes)["clarinet"] < 18
    over = nearby_noise(takes, note_table(takes)).noise_over_db
    assert over[:20].max() < 2.0
    assert over[20] > 12.0  # one that stands out among its like is still one


def test_a_few_sounds_before_notes_are_no_habit():
    takes = session([10.0, 12.0, 9.0] + [10.0] * 2)
    assert usual_lead_in_db(takes) == {}
    later = [
        replace(one, hits=tuple(replace(hit, start_s=2.2, end_s=2.3) for hit in one.hits))
        for one in session([10.0] * 20)
    ]
    assert usual_lead_in_db(later) == {}  # sounds after the notes lead into nothing
