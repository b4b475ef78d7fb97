"""What is left out: what the encoder says of harmless sounds, and natural sounds where they may be there."""

from dataclasses import replace

import numpy as np
import pytest

from tests.noisy import TAKES, save_noisy, take
from triage.domain.hit import Hit
from triage.ranking.note_table import nearby_noise, note_table
from triage.ranking.session import rank_session
from triage.ranking.session_features import without_sounds
from triage.ranking.suppression import group_hits, without_harmless
from triage.sheets.noise import noise_sheet
from triage.store.engine import open_store, reading, writing
from triage.store.ranking import queue
from triage.store.takes import save_take

BREATH = Hit("breath", 4.7, 4.95, "close", ("close",), -60.0, 20.0, 0.9, 2, natural="lead-breath", usual=True)


@pytest.mark.parametrize("at_s, heard", [(6.4, False), (7.5, True)])
def test_the_encoders_noise_goes_where_it_was_clearest_at_the_sound(at_s, heard):
    table = note_table([take(3)])
    n = len(table)
    for column in (table.activation_mean, table.activation_peak, table.activation_peak_s):
        column["noise"] = np.full(n, 2.0)
    table.activation_peak_s["noise"][2] = at_s
    creak = Hit("creak", 6.36, 6.76, "room", ("room",), -50.0, 20.0, 0.9, 3)
    mean = without_sounds(table, {"T003": [creak]}).activation_mean["noise"]
    assert np.isfinite(mean[2]) == heard and np.isfinite(np.delete(mean, 2)).all()
    assert np.isfinite(table.activation_mean["noise"]).all()  # the table itself is as it was


def breathing(wanted_without=("T004",)):
    """Return takes with a breath before the third note of each, as loud everywhere, and no other hits."""
    takes = [replace(take(n), hits=(BREATH,)) for n in range(1, TAKES + 1)]
    return [replace(one, without_natural_sounds=one.name in wanted_without) for one in takes]


def test_a_usual_breath_is_left_out_unless_the_take_is_to_be_without():
    left = {one.name: one.hits for one in without_harmless(group_hits(breathing(), {}))}
    assert [name for name, hits in left.items() if hits] == ["T004"]
    (hit,) = left["T004"]
    assert (hit.usual, hit.usual_db, hit.kind) == (False, -35.0, "breath")
    assert hit.group == "close:lead-breath:any"
    assert not any(without_harmless(group_hits(breathing(()), {}))[3].hits)


def test_what_is_usual_before_an_instruments_notes_counts_where_none_is_wanted():
    hits = tuple(replace(BREATH, start_s=0.7 + 2 * n, end_s=0.95 + 2 * n, note=n + 1) for n in range(1, 5))
    takes = [replace(one, hits=hits) for one in breathing()]
    over = nearby_noise(takes, note_table(takes)).noise_over_db.reshape(TAKES, -1)
    assert over[3, 1:].min() > 12.0 and np.delete(over, 3, axis=0).max() == 0.0


def test_an_unwanted_breath_is_on_the_noise_sheet_and_in_the_queue_under_its_name(tmp_path):
    engine = open_store(f"sqlite:///{tmp_path / 'store.db'}")
    doubts = {}
    for without in ((), ("T004",)):
        with writing(engine) as db:
            session_id = save_noisy(db)
            for one in breathing(without):
                save_take(db, session_id, one)
        rank_session(engine, session_id, 442.0)
        with reading(engine) as db:
            entries, sheet = queue(db, session_id), noise_sheet(db, session_id)
        doubts[bool(without)] = {entry.take: entry.doubt for entry in entries}
        why = [(one.take, spot.why) for one in entries for spot in one.spots if "breath" in spot.why]
        if not without:
            assert why == [] and sheet.groups == ()
    name = "breath before the tone, where none is wanted, in the close microphone"
    assert [take for take, _ in why] == ["T004"] and why[0][1].startswith(name)
    assert [line.line for line in sheet.groups] == ["breath before the tone, close, once in 1 take"]
    assert [one.line for one in sheet.natural] == [
        "horn: breath before the tone, 12 times, usually -35 dB to the note; 1 where none is wanted"
    ]
    assert doubts[True]["T004"] > doubts[False]["T004"]
    engine.dispose()
