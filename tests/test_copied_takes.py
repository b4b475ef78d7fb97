"""A take that was copied under another name is found by its sound, whatever the copy's gain, start and floor."""

import numpy as np
import pytest

from tests.sessions import play, row, write_takes
from triage.pipeline import take_in
from triage.sheets.consistency import consistency
from triage.store.engine import open_store, reading

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
