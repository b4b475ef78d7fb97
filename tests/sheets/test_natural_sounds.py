"""The summary of a session's natural sounds of playing."""

from triage.domain.hit import Hit
from triage.sheets.natural_sounds import natural_sounds


def sound(take, natural, usual=True, usual_db=-40.0):
    return Hit(
        "mechanism",
        1.0,
        1.1,
        "close",
        ("close",),
        -60.0,
        9.0,
        0.7,
        take=take,
        natural=natural,
        usual=usual,
        usual_db=usual_db,
    )


def test_each_player_s_sounds_are_counted_with_their_level_and_what_stands_out():
    hits = [
        sound("T1", "key-sound"),
        sound("T1", "key-sound", usual=False),
        sound("T2", "lead-breath", usual_db=None),
    ]
    hits.append(Hit("creak", 2.0, 2.5, "room", ("room",), -50.0, 20.0, 0.9, take="T1"))
    found = natural_sounds(hits, {"T1": "clarinet", "T2": None})
    assert [one.line for one in found] == [
        "clarinet: key, valve or slide, 2 times, usually -40 dB to the note; 1 much louder",
        "instrument unknown: breath before the tone, once",
    ]


def test_those_in_a_take_that_is_to_be_without_them_are_counted_apart():
    hits = [sound("T1", "lead-breath"), sound("T2", "lead-breath", usual=False)]
    (found,) = natural_sounds(hits, {"T1": "flugelhorn", "T2": "flugelhorn"}, without={"T2"})
    assert found.line == (
        "flugelhorn: breath before the tone, 2 times, usually -40 dB to the note; 1 where none is wanted"
    )
