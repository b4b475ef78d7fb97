"""A take that was copied under another name is found by its sound, whatever the copy's gain, start and floor."""

import numpy as np
import pytest

from tests.sessions import RATE_HZ, play, row, write_takes
from triage.pipeline import take_in
from triage.sheets.consistency import consistency
from triage.store.engine import open_store, reading
from triage.store.spots import spots_of
from triage.store.takes import find_session, take_ids

PITCHES = (55, 57, 59)


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    folder = tmp_path_factory.mktemp("copied")
    twice = [pitch for pitch in PITCHES for _ in range(2)]
    first, second = play(twice, seed=1), play(twice, seed=2)
    floor = 10 ** (-76 / 20) * np.random.default_rng(3).standard_normal((2, first.shape[1] + 137))
    copy = 0.8 * np.pad(first, ((0, 0), (137, 0))) + floor
    write_takes(folder, {"T001": first, "T002": second, "T003": copy}, [row(f"T00{n}", PITCHES) for n in (1, 2, 3)])
    engine = open_store(f"sqlite:///{folder / 'store.db'}")
    take_in(folder, engine)
    with reading(engine) as db:
        yield consistency(db)
    engine.dispose()


def test_every_note_of_the_copy_is_paired_with_its_own_and_no_other_is(report):
    dots = [(report.dots[p.first], report.dots[p.second]) for p in report.pairs if p.too_alike]
    assert sorted((a.take, a.note, b.take, b.note) for a, b in dots) == [
        ("T001", note, "T003", note) for note in range(1, 7)
    ]


def test_a_person_is_told_of_the_first_pairs_and_how_many_more_there_are(report):
    alike = [sentence for sentence in report.sentences if "too much alike" in sentence]
    assert len(alike) == 4 and alike[-1] == "3 more pairs of notes are too much alike."
    assert all(sentence.startswith("T001 note ") and " and T003 note " in sentence for sentence in alike[:3])


@pytest.fixture(scope="module")
def copied_spots(tmp_path_factory):
    """Spots of a session in which T003 holds the files of T001, and T004 only the room microphone's of T002."""
    folder = tmp_path_factory.mktemp("same files")
    takes = {f"T00{n}": play(PITCHES, seed=n) for n in (1, 2)}
    takes["T003"] = takes["T001"]
    takes["T004"] = np.stack((play(PITCHES, seed=4)[0][: takes["T002"].shape[1]], takes["T002"][1]))
    takes |= {
        f"T00{n}": play(PITCHES, seed=5)[:, : 2 * RATE_HZ] * [[1.0], [0.0]] * n / 6 for n in (5, 6)
    }  # dead room
    write_takes(folder, takes, [row(name, PITCHES, 1) for name in takes])
    engine = open_store(f"sqlite:///{folder / 'store.db'}")
    take_in(folder, engine)
    with reading(engine) as db:
        ids = take_ids(db, find_session(db).id).values()
        every = [spot for found in spots_of(db, list(ids)).values() for spot in found]
        yield [(spot.take, spot.mic, spot.why) for spot in every if spot.kind == "copied"]
    engine.dispose()


def test_takes_that_hold_the_same_samples_name_each_other(copied_spots):
    why = "same audio as take {}: one of the two was copied by mistake"
    assert ("T001", None, why.format("T003")) in copied_spots and ("T003", None, why.format("T001")) in copied_spots


def test_a_single_copied_microphone_is_named_and_silent_ones_are_not(copied_spots):
    why = "same audio as take {} in the room microphone: one of the two was copied by mistake"
    rest = [one for one in copied_spots if one[0] not in ("T001", "T003")]
    assert sorted(rest) == [("T002", "room", why.format("T004")), ("T004", "room", why.format("T002"))]
