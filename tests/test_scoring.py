"""Scoring: from measurements to spots, doubts and ranks; records made by hand, no audio."""

from dataclasses import replace

import numpy as np
import pytest

from triage.domain.hit import Hit
from triage.domain.measurements import MEASUREMENTS
from triage.domain.note import Note
from triage.domain.take import NoiseFloor, Take, Track
from triage.judge.doubt import load_model
from triage.ranking.placing import place
from triage.ranking.scoring import judge
from triage.ranking.session_features import session_features

TRACK = Track("close", "audio/x.wav", 0)


def note(number, rng, **changes):
    values = dict.fromkeys(MEASUREMENTS, 0.0)
    values |= {"f0_hz": 440.0 * 2 ** ((60 - 69) / 12) * 2 ** (rng.normal(0, 2) / 1200), "attack_s": 0.03}
    values |= {"length_s": 0.5 * np.exp(rng.normal(0, 0.03)), "body_s": 0.4 * np.exp(rng.normal(0, 0.03))}
    values |= {"release_s": 0.2, "tail_s": 0.5, "level_dbfs": rng.normal(-20, 0.5), "centroid_hz": 900.0}
    values["loudness_lufs"] = values["level_dbfs"] - 3
    embedding = rng.normal(0, 1, 8).astype(np.float32)
    return Note(
        number,
        2.0 * number,
        2.0 * number + 0.5,
        2.0 * number + 1,
        measurements=values | changes,
        embeddings={"made": embedding},
    )


def session(count=10, seed=0):
    rng = np.random.default_rng(seed)
    return [
        Take(
            f"T{i:03d}",
            "f",
            "horn",
            "staccato",
            "ff",
            expected_pitches=(60,),
            repetitions=3,
            duration_s=10.0,
            tracks=(TRACK,),
            notes=tuple(note(n, rng) for n in (1, 2, 3)),
            floors=(NoiseFloor("close", -70.0, note_dbfs=-25.0),),
        )
        for i in range(1, count + 1)
    ]


def judged(takes, broken=None):
    placed, missing, _ = place(takes, 440.0)
    return judge(session_features(placed, missing, broken or {}), load_model())


def ranking(judgement):
    return [row.take for row in sorted(judgement.takes, key=lambda row: row.rank)]


def spots_of(judgement, take):
    return [spot for spot in judgement.spots if spot.take == take]


def test_every_take_is_ranked_from_one_and_good_ones_have_little_doubt():
    judgement = judged(session())
    assert sorted(row.rank for row in judgement.takes) == list(range(1, 11))
    assert max(row.doubt for row in judgement.takes) < 0.5
    assert [row.doubt for row in sorted(judgement.takes, key=lambda r: r.rank)] == sorted(
        (row.doubt for row in judgement.takes), reverse=True
    )


def test_a_flat_note_puts_its_take_first_with_the_reason():
    takes = session()
    flat = note(2, np.random.default_rng(1), f0_hz=440.0 * 2 ** ((60 - 69) / 12) * 2 ** (-40 / 1200))
    takes[4] = replace(takes[4], notes=(takes[4].notes[0], flat, takes[4].notes[2]))
    judgement = judged(takes)
    assert ranking(judgement)[0] == "T005"
    (first, *_) = spots_of(judgement, "T005")
    assert (first.kind, first.note, first.unit) == ("intonation", 2, "cents")
    assert first.found == pytest.approx(-40, abs=0.1) and "flat" in first.why


def test_an_exposed_noise_is_a_spot_on_its_microphone_and_a_masked_one_is_none():
    takes = session()
    loud = Hit("knock", 3.0, 3.1, "room", ("room", "close"), -45.0, 25.0, 0.95, 1)
    takes[2] = replace(takes[2], hits=(loud,))
    takes[6] = replace(takes[6], hits=(replace(loud, exposed=0.02),))
    judgement = judged(takes)
    (spot,) = spots_of(judgement, "T003")
    assert (spot.kind, spot.mic, spot.note) == ("knock", "room", 1)
    assert ranking(judgement)[0] == "T003"
    assert spots_of(judgement, "T007") == []


OCTAVES_DBFS = (-80.0,) * 10


def with_noise(take, *hits, octaves_dbfs=OCTAVES_DBFS):
    floors = tuple(NoiseFloor(mic, -70.0, note_dbfs=-25.0, octaves_dbfs=octaves_dbfs) for mic in ("close", "room"))
    return replace(take, hits=hits, floors=floors)


def lasting(kind, level_dbfs, mic="room"):
    return Hit(kind, 0.0, 10.0, mic, (mic,), level_dbfs, 25.0, 0.95)


def test_hum_of_one_take_puts_it_first_and_that_of_the_room_changes_nothing():
    takes = [with_noise(take, lasting("hum", -60.0 - 0.1 * at, "close")) for at, take in enumerate(session())]
    before = judged(takes)
    assert [spot for spot in before.spots if spot.kind == "hum"] == []
    takes[6] = with_noise(takes[6], *takes[6].hits, lasting("hum", -55.0))
    after = judged(takes)
    (spot,) = [spot for spot in after.spots if spot.kind == "hum"]
    assert (spot.take, spot.mic, spot.note, spot.found) == ("T007", "room", None, -55.0)
    assert spot.why == "hum through the whole take in the room microphone; 1 of 10 takes has it"
    assert ranking(after)[0] == "T007"
    doubts = [{row.take: row.doubt for row in one.takes if row.take != "T007"} for one in (before, after)]
    assert doubts[0] == doubts[1]


@pytest.mark.parametrize("kind, octaves", [("rumble", slice(0, 1)), ("hiss", slice(7, 10))])
def test_rumble_and_hiss_are_compared_with_the_backgrounds_of_the_other_takes(kind, octaves):
    takes = [with_noise(take) for take in session()]
    loud = list(OCTAVES_DBFS)
    loud[octaves] = [-60.0] * len(loud[octaves])
    takes[3] = with_noise(takes[3], lasting(kind, -60.0), octaves_dbfs=tuple(loud))
    (spot,) = [spot for spot in judged(takes).spots if spot.kind == kind]
    assert spot.take == "T004" and "dB louder than usual; 1 of 10 takes has it" in spot.why
    near = [with_noise(take, octaves_dbfs=tuple(loud)) for take in session()]  # the limit of detection between them
    near[3] = takes[3]
    assert [spot for spot in judged(near).spots if spot.kind == kind] == []


def test_a_dropout_needs_no_neighbours():
    take = replace(session(1)[0], hits=(Hit("dropout", 3.0, 3.02, "close", ("close",), None, None, 1.0, 1),))
    found = {spot.kind: spot for spot in spots_of(judged([take]), "T001")}
    assert found["dropout"].doubt > 0.5 and found["dropout"].mic == "close"


def test_what_a_dropout_does_to_a_note_is_not_the_players_fault():
    takes = session()
    flat = note(2, np.random.default_rng(1), f0_hz=440.0 * 2 ** ((60 - 69) / 12) * 2 ** (-40 / 1200))
    takes[4] = replace(takes[4], notes=(takes[4].notes[0], flat, takes[4].notes[2]))
    torn = replace(takes[4], hits=(Hit("dropout", 4.1, 4.11, "close", ("close",), None, None, 1.0, 2),))
    (alone, *_) = spots_of(judged(takes), "T005")
    first, *others = spots_of(judged([*takes[:4], torn, *takes[5:]]), "T005")
    assert (alone.kind, first.kind) == ("intonation", "dropout") and first.doubt > 0.9
    assert max(spot.doubt for spot in others if spot.kind == "intonation") < 0.1 * alone.doubt
    (elsewhere, *_) = spots_of(
        judged([*takes[:4], replace(torn, hits=(replace(torn.hits[0], note=1),)), *takes[5:]]), "T005"
    )
    assert elsewhere.doubt >= alone.doubt


def test_missing_and_extra_notes_are_reported():
    takes = session()
    takes[0] = replace(takes[0], notes=takes[0].notes[:2])
    takes[1] = replace(takes[1], repetitions=2)
    judgement = judged(takes)
    assert "1 of 3 notes on the take sheet not found: C4" in [spot.why for spot in spots_of(judgement, "T001")]
    assert "a note more than the take sheet asks for" in [spot.why for spot in spots_of(judgement, "T002")]
    assert set(ranking(judgement)[:2]) == {"T001", "T002"}


def test_a_silent_take_and_a_broken_one_come_before_the_good():
    takes = session()
    takes[3] = replace(takes[3], notes=(), expected_pitches=())
    judgement = judged(takes, {"T008": ["audio/T008_room.wav breaks off"]})
    assert set(ranking(judgement)[:2]) == {"T004", "T008"}
    assert [spot.kind for spot in spots_of(judgement, "T004")] == ["dead-track"]
    assert [spot.kind for spot in spots_of(judgement, "T008")] == ["truncated"]


def test_identical_takes_are_ranked_by_name():
    one = session(1)[0]
    takes = [replace(one, name=name) for name in ("T003", "T001", "T002")]
    assert ranking(judged(takes)) == ["T001", "T002", "T003"]


def test_an_empty_session_is_an_empty_queue():
    assert judged([]).takes == ()


def test_listening_time_is_the_union_of_spots_with_half_a_second_around():
    takes = session()
    places = ((3.0, "a"), (3.2, "b"))
    hits = tuple(Hit("dropout", at, at + 0.1, mic, (mic,), None, None, 1.0, 1) for at, mic in places)
    takes[2] = replace(takes[2], hits=hits)
    row = next(row for row in judged(takes).takes if row.take == "T003")
    assert row.listen_s == pytest.approx(3.8 - 2.5)  # 2.5 to 3.6 and 2.7 to 3.8


def with_clicks(takes, count):
    """The first takes with a digital click each."""
    click = Hit("digital-click", 1.0, 1.001, "close", ("close",), None, None, 1.0)
    return [replace(take, hits=(click,)) if i < count else take for i, take in enumerate(takes)]


def test_what_clicks_in_many_takes_of_an_instrument_is_no_fault_of_the_converter():
    few, many = with_clicks(session(40), 2), with_clicks(session(40), 12)
    alone = [one for one in session_features(few, {}, {}).findings if one.spot.kind == "digital-click"]
    usual = [one for one in session_features(many, {}, {}).findings if one.spot.kind == "digital-click"]
    assert {one.basis for one in alone} == {"digital-click"} and len(alone) == 2
    assert {one.basis for one in usual} == {"usual-click"} and len(usual) == 12
    assert max(one.spot.doubt for one in usual) < 0.1 < min(one.spot.doubt for one in alone)
    assert "as in many takes of this instrument" in usual[0].spot.why
