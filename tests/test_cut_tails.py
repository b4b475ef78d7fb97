"""A take that was stopped too early, from its files to the words of its spot."""

from dataclasses import replace

import pytest

from tests.sessions import GAP_S, RATE_HZ, play, row, write_takes
from triage.domain.hit import Hit
from triage.domain.note import Note
from triage.domain.take import NoiseFloor, Take
from triage.pipeline import take_in
from triage.ranking.findings import findings_of
from triage.store.engine import open_store, reading
from triage.store.hits import floors
from triage.store.spots import spots_of
from triage.store.takes import find_session, take_ids

PITCHES = (55, 57)


def test_the_recording_that_stops_in_the_tail_is_found_on_its_last_note(tmp_path):
    takes = {f"T00{n}": play(PITCHES, seed=n) for n in range(1, 6)}
    cut = takes["T003"]
    takes["T003"] = cut[:, : cut.shape[1] - round((GAP_S + 0.2) * RATE_HZ)]
    write_takes(tmp_path, takes, [row(name, PITCHES, 1) for name in takes])
    engine = open_store(f"sqlite:///{tmp_path / 'store.db'}")
    take_in(tmp_path, engine)
    with reading(engine) as db:
        session_id = find_session(db).id
        found = [spot for every in spots_of(db, list(take_ids(db, session_id).values())).values() for spot in every]
        over_db = {(one.take, one.mic): one.end_over_db for one in floors(db, session_id)}
    engine.dispose()
    (spot,) = [spot for spot in found if spot.why.startswith("the recording stops")]
    assert (spot.take, spot.note, spot.kind, spot.unit) == ("T003", 2, "release", "dB")
    where = f"in the {spot.mic} microphone ({spot.found:.0f} dB over its background)"
    assert spot.why == f"the recording stops while the last note still rings {where}"
    assert 20.0 < spot.found < 40.0
    assert spot.found == over_db["T003", spot.mic] and spot.expected < 6.0
    assert all(over_db[name, "room"] < 6.0 for name in takes if name != "T003")


def take(name, over_db, **changes):
    floor = NoiseFloor("room", -70.0, end_over_db=over_db, end_fall_db_s=40.0)
    made = Take(name, "f", "horn", duration_s=10.0, notes=(Note(1, 1.0, 2.0), Note(2, 6.0, 8.0)), floors=(floor,))
    return replace(made, **changes)


@pytest.mark.parametrize(
    "changes, found",
    [
        ({}, 1),
        ({"hits": (Hit("voice", 9.2, 9.95, "room", ("room",), -50.0, 20.0, 0.9, 2),)}, 0),  # that is what sounds
        ({"hits": (Hit("voice", 5.0, 5.5, "room", ("room",), -50.0, 20.0, 0.9, 1),)}, 1),
        ({"duration_s": 20.0}, 0),  # nothing rings so long
        ({"notes": ()}, 0),
    ],
)
def test_a_noise_at_the_end_is_no_tail(changes, found):
    takes = [take(f"T{n}", 3.0, duration_s=12.0) for n in range(5)] + [take("T9", 25.0, **changes)]
    assert len([one for one in findings_of(takes, {}, {}, {}) if one.basis == "cut-off"]) == found
