"""Cells, clean notes, missing ones and their value; each case is small enough to be counted by hand."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from triage.judge.clean_notes import DOUBT_BOUND, Cell, FileFault, Played, fault_of
from triage.judge.plan import PlannedRow, count_cells, sheet_shift, value_of
from triage.judge.ranges import RANGES, outside, sounding_range
from triage.judge.recording_pace import Cost, learn_pace

HORN = ("horn", "staccato", "ff")
FLIP = FileFault("with close's polarity reversed", "turn its polarity round")
ABSENT = FileFault("without close", "fetch the file", absent=True)


def row(pitches=(69,), repetitions=3, take="T1", **more):
    return PlannedRow(take, *HORN, tuple(pitches), repetitions, **more)


def note(number=1, pitch=69, take="T1", doubt=0.01, **more):
    return Played(take, number, *HORN, pitch, doubt=doubt, **more)


def only(rows, notes, **options):
    (found,) = count_cells(rows, notes, **options)
    return found


def test_a_cell_is_complete_with_as_many_clean_notes_as_the_sheet_asks_for():
    found = only([row()], [note(1), note(2), note(3)])
    assert (found.cell, found.wanted, found.clean, found.missing) == (Cell(*HORN, 69), 3, 3, 0)


@pytest.mark.parametrize(
    "more, why",
    [
        ({"matches": False}, "at another pitch"),
        ({"doubt": 0.6, "kind": "wrong-note"}, "doubtful in wrong note"),
        ({"doubt": None}, "doubtful"),
        ({"doubt": 0.6, "kind": "creak"}, "with a creak"),
        ({"doubt": 0.6, "kind": "paper"}, "with paper noise"),
        ({"doubt": 0.6, "kind": "dropout"}, "with a dropout"),
        ({"lost": "without close, which will not come"}, "without close, which will not come"),
        ({"verdict": "reject", "reason": "cracked"}, "rejected: cracked"),
        (
            {"verdict": "reject", "reason": "wrong-note"},
            "rejected: wrong note",
        ),  # a key's reason, as a person reads it
        ({"verdict": "reject"}, "rejected"),
        ({"verdict": "unsure"}, "left unsure"),
        ({"verdict": "disputed"}, "disputed"),
        ({"verdict": "accept", "matches": False}, "at another pitch"),
    ],
)
def test_one_thing_against_a_note_and_it_is_not_clean(more, why):
    assert fault_of(note(**more)) == why
    assert only([row(repetitions=1)], [note(**more)]).missing == 1


@pytest.mark.parametrize("more", [{"doubt": 0.99}, {"doubt": 0.9, "kind": "creak"}, {"files": (FLIP,)}])
def test_a_persons_accept_beats_the_doubt_and_what_was_found(more):
    assert fault_of(note(verdict="accept", **more)) is None


def test_no_accept_brings_a_file_that_is_not_there():
    assert fault_of(note(verdict="accept", files=(ABSENT,))) == "without close"


@pytest.mark.parametrize(
    "more, missing, waiting",
    [
        ({"files": (FLIP,)}, 0, 1),
        ({"files": (ABSENT,)}, 0, 1),
        ({"files": (FLIP,), "verdict": "reject", "reason": "polarity"}, 0, 1),
        ({"files": (FLIP,), "verdict": "reject", "reason": "cracked"}, 1, 0),
        ({"files": (FLIP,), "doubt": 0.6}, 1, 0),  # mended it would still be doubtful
    ],
)
def test_what_a_file_can_mend_is_not_for_the_players(more, missing, waiting):
    found = only([row(repetitions=1)], [note(**more)])
    assert (found.clean, found.missing, found.waiting) == (0, missing, waiting)


def test_an_unclear_pitch_alone_is_no_fault():
    assert fault_of(note(matches=None)) is None


def test_the_bound_itself_is_not_clean():
    assert fault_of(note(doubt=DOUBT_BOUND)) is not None
    assert fault_of(note(doubt=DOUBT_BOUND - 1e-9)) is None
    assert fault_of(note(doubt=0.4), doubt_bound=0.5) is None


def test_a_retake_asks_for_no_more_repetitions_and_its_notes_count():
    found = only([row(take="T1"), row(take="T2", order=1)], [note(1), note(2, verdict="reject"), note(1, take="T2")])
    assert (found.wanted, found.clean, found.missing, found.takes) == (3, 2, 1, ("T1", "T2"))
    assert only([row()], [], repetitions=5).wanted == 5


def test_a_pitch_twice_in_one_row_is_wanted_as_often():
    assert only([row(pitches=(69, 69), repetitions=2)], []).wanted == 4


def test_extra_notes_and_cells_that_nobody_planned_are_left_out():
    assert only([row()], [note(pitch=None), note(pitch=70)]).clean == 0


def test_cells_without_notes_with_few_and_with_doubtful_ones_have_tiers():
    assert only([row()], []).tier == "none"
    assert only([row()], [note(1, verdict="reject")]).tier == "none"
    assert only([row()], [note(1)]).tier == "few"
    assert only([row()], [note(1), note(2, doubt=0.5), note(3, doubt=0.5)]).tier == "doubtful"


# sum over empty k of 1 / k^2, computed by hand: 1 + 1/4 + 1/9, 1/9, 1/4 + 1/9 less a half of the first.
@pytest.mark.parametrize(
    "wanted, clean, chance, value",
    [(3, 0, 0.0, 49 / 36), (3, 2, 0.0, 1 / 9), (3, 1, 0.5, 1 / 8 + 1 / 9), (3, 3, 0.0, 0.0), (2, 0, 2.0, 0.0)],
)
def test_the_value_of_filling_a_cell(wanted, clean, chance, value):
    assert value_of(wanted, clean, chance) == pytest.approx(value)


@given(st.integers(1, 9), st.integers(0, 9), st.floats(0, 9))
def test_a_value_falls_with_every_note_and_every_chance(wanted, clean, chance):
    value = value_of(wanted, clean, chance)
    assert 0 <= value_of(wanted, clean + 1, chance) <= value + 1e-12
    assert value_of(wanted, clean, chance + 0.3) <= value + 1e-12


def test_new_notes_are_to_match_the_seats_of_the_clean_ones():
    rows = [row(take="T1", setup="by the wall"), row(take="T2", setup="in a half circle", order=1)]
    clean = [note(1, setup="by the wall"), note(2, setup="by the wall"), note(3, take="T2", setup="in a half circle")]
    assert only(rows, clean).setup == "by the wall"
    assert only(rows, []).setup == "in a half circle"  # the last row's, where nothing is clean


def test_a_sheet_in_written_pitch_is_shifted_by_what_fits_every_take():
    # A horn in F sounds 7 semitones lower than written.
    assert sheet_shift([((67, 69, 71), (60, 62, 64)), ((72,), (65,))]) == -7
    assert sheet_shift([((60, 62), (60, 62)), ((64,), ())]) == 0
    assert sheet_shift([((60, 62), (60, 61))]) == 0
    assert sheet_shift([]) == 0


# Two values each of the default ranges as published with Abjad: trumpet F#3 to D6, horn B1 to F5, tuba D1 to F4,
# bass trombone C2 to F4, tenor trombone E2 to Eb5, alto trombone A2 to Bb5.
@pytest.mark.parametrize(
    "name, low, high",
    [
        ("trumpet", 54, 86),
        ("horn", 35, 77),
        ("French Horns a4", 35, 77),
        ("tuba", 26, 65),
        ("bass-trombone", 36, 65),
        ("Trombone 2", 40, 75),
        ("tenor trombone", 40, 75),
        ("alto trombone", 45, 82),
        ("flutes", 60, 98),
    ],
)
def test_brass_ranges_are_those_of_a_handbook(name, low, high):
    assert sounding_range(name) == (low, high)
    assert (outside(name, low - 1), outside(name, low), outside(name, high)) == ("below", None, None)
    assert outside(name, high + 1) == "above"


@pytest.mark.parametrize("name", ["", "English horn", "tenor horn", "glass harp", "hornpipe", "contrabass trombone"])
def test_an_unknown_instrument_has_no_range(name):
    assert sounding_range(name) is None
    assert outside(name, 5) is None


def test_every_range_rises():
    assert all(low < high for low, high in RANGES.values())


def test_the_pace_counts_gaps_and_restarts():
    # 60 s for 12 notes are 5 s each; 12 played for 8 clean ones make it 7.5.
    pace = learn_pace([Cost("horn", "staccato", 60.0, 12, 8)], [20.0, 40.0, -3.0, 4000.0])
    assert pace.note_s("horn", "staccato") == pytest.approx(7.5)
    assert pace.note_s("tuba", "staccato") == pytest.approx(7.5)  # no tuba yet: the pace of the articulation
    assert (pace.pause_s, pace.pause_known) == (30.0, True)


def test_one_lost_hour_does_not_make_every_note_an_hour():
    lost = learn_pace([Cost("horn", "staccato", 60.0, 12, 0)], [])
    assert lost.note_s("horn", "staccato") == pytest.approx(15.0)  # three times 5 s at most
    assert learn_pace([], []).note_s("horn", "staccato") > 0
