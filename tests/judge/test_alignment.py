"""Alignment of found pitches with the sheet: known cases, and the best of all alignments by trying them all."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from triage.judge.alignment import GAP_COST, UNPITCHED_COST, WRONG_COST, align, sheet_offset

NAN = float("nan")
SCALE = (53, 54, 55, 56, 57, 58)
PITCHES = st.lists(st.integers(40, 46), max_size=6)
FOUND = st.lists(st.one_of(st.floats(39, 47), st.just(NAN)), max_size=5)


def places(found, expected):
    return align(np.array(found, dtype=float), tuple(expected))


@given(PITCHES, st.floats(-0.4, 0.4))
def test_expected_pitches_are_found_in_place_however_the_take_is_tuned(expected, off):
    assert places([p + off for p in expected], expected) == (list(range(len(expected))), [])


@pytest.mark.parametrize("left_out", range(len(SCALE)))
def test_one_note_missing_is_named(left_out):
    played = [p for k, p in enumerate(SCALE) if k != left_out]
    assert places(played, SCALE) == ([k for k in range(len(SCALE)) if k != left_out], [left_out])


@pytest.mark.parametrize("at", range(len(SCALE) + 1))
@pytest.mark.parametrize("pitch", [48.0, 70.3])
def test_an_extra_note_has_no_place(at, pitch):
    played = [*SCALE[:at], pitch, *SCALE[at:]]
    place, missing = places(played, SCALE)
    assert place == [*range(at), None, *range(at, len(SCALE))]
    assert missing == []


@pytest.mark.parametrize("at", range(len(SCALE)))
@pytest.mark.parametrize("wrong", [-7.0, -2.0, 2.0, 12.0])
def test_a_wrong_note_keeps_its_place(at, wrong):
    played = np.array(SCALE, float)
    played[at] += wrong
    assert places(played, SCALE) == (list(range(len(SCALE))), [])


@pytest.mark.parametrize("at", range(len(SCALE)))
def test_a_note_without_pitch_keeps_its_place(at):
    played = np.array(SCALE, float)
    played[at] = NAN
    assert places(played, SCALE) == (list(range(len(SCALE))), [])


def test_notes_without_any_pitch_are_taken_in_order():
    assert places([NAN] * 6, SCALE) == (list(range(6)), [])
    place, missing = places([NAN] * 4, SCALE)
    assert len(missing) == 2 and None not in place


@given(st.lists(st.integers(1, 4), min_size=2, max_size=5), st.data())
def test_of_repeated_notes_one_too_few_is_missed_at_that_pitch(repeats, data):
    expected = [60 + k for k, n in enumerate(repeats) for _ in range(n)]
    left_out = data.draw(st.integers(0, len(expected) - 1))
    place, (missing,) = places(expected[:left_out] + expected[left_out + 1 :], expected)
    assert expected[missing] == expected[left_out]
    assert None not in place


@given(st.lists(st.integers(1, 3), min_size=2, max_size=5), st.data())
def test_of_repeated_notes_one_too_many_is_at_that_pitch(repeats, data):
    expected = [60 + k for k, n in enumerate(repeats) for _ in range(n)]
    again = data.draw(st.integers(0, len(expected) - 1))
    played = [*expected[:again], expected[again], *expected[again:]]
    place, missing = places(played, expected)
    assert missing == []
    assert played[place.index(None)] == expected[again]


def test_a_missing_note_is_not_taken_for_a_wrong_one():
    played = [53, 54, 62, 57, 58]  # 55 was played as 62, 56 was not played, or the other way round
    place, missing = places(played, SCALE)
    assert place[:2] == [0, 1] and place[3:] == [4, 5]
    assert place[2] in (2, 3) and len(missing) == 1


def test_nothing_played_and_nothing_expected():
    assert places([], SCALE) == ([], list(range(6)))
    assert places([60.0, NAN], []) == ([None, None], [])
    assert places([], []) == ([], [])


def pair_cost(pitch, expected):
    if np.isnan(pitch):
        return UNPITCHED_COST
    away = abs(pitch - expected)
    return 0.1 * away if away < 0.6 else WRONG_COST + 0.005 * min(away, 40)


def cost_of(place, found, expected):
    pairs = [pair_cost(found[i], expected[p]) for i, p in enumerate(place) if p is not None]
    return sum(pairs) + GAP_COST * (len(found) + len(expected) - 2 * len(pairs))


@settings(max_examples=60, deadline=None)
@given(FOUND, st.lists(st.integers(40, 46), max_size=5))
def test_no_other_alignment_is_better(found, expected):
    place, missing = places(found, expected)
    used = [p for p in place if p is not None]
    assert len(place) == len(found)
    assert used == sorted(set(used))  # in order, none twice
    assert sorted(used + missing) == list(range(len(expected)))
    best = np.inf
    for n in range(min(len(found), len(expected)) + 1):
        for rows in combinations(range(len(found)), n):
            for columns in combinations(range(len(expected)), n):
                chosen = dict(zip(rows, columns, strict=True))
                best = min(best, cost_of([chosen.get(i) for i in range(len(found))], found, expected))
    assert cost_of(place, found, expected) == pytest.approx(best, abs=1e-9)


@given(FOUND, PITCHES, st.integers(-24, 24))
def test_transposing_both_changes_nothing(found, expected, semitones):
    # exact sums of halves, so that no rounding decides a tie
    found = np.round(np.array(found, dtype=float) * 4) / 4
    assert places(found, expected) == places(found + semitones, [p + semitones for p in expected])


@pytest.mark.parametrize("offset", [12, -12, -14, -9, 2])
def test_a_sheet_in_written_pitch_is_off_by_one_constant(offset):
    cents = np.random.default_rng(1).normal(0, 0.12, 60)
    differences = offset + cents
    differences[::10] = [0.0, offset + 1, NAN, offset - 5, offset + 12, NAN]  # wrong notes and unpitched ones
    assert sheet_offset(differences) == offset


def test_sounding_pitch_and_wrong_notes_have_no_offset():
    assert sheet_offset(np.random.default_rng(2).normal(0, 0.15, 60)) == 0
    assert sheet_offset(np.repeat([0.0, 2.0, -1.0, 12.0], 5)) == 0  # no two thirds agree
    assert sheet_offset(np.repeat([12.0, 0.0], [13, 7])) == 0  # 65 %


def test_a_few_notes_prove_no_offset():
    assert sheet_offset(np.full(5, 12.0)) == 0
    assert sheet_offset(np.append(np.full(5, 12.0), [NAN] * 10)) == 0
    assert sheet_offset(np.full(6, 12.0)) == 12
    assert sheet_offset(np.array([])) == 0
