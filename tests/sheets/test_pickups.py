"""Pick-ups from the store to the page: holes planted and found, calls, times, words, paper."""

import re
from datetime import datetime, timedelta

import numpy as np
import pytest

from tests.planned import NOON, PlannedTake, fill, hit, spot
from triage.domain.arrivals import ArrivalAction, ArrivalProblem, Arrivals
from triage.domain.pitch import pitch_name
from triage.domain.verdict import Verdict
from triage.judge.clean_notes import Cell
from triage.judge.recording_pace import READY_S, USUAL_PAUSE_S
from triage.sheets.pickups import mend_text, minutes, pickup_list, pickups_page
from triage.store.arrival_actions import record_action
from triage.store.arrivals import save_arrivals
from triage.store.engine import open_store, reading, writing
from triage.store.takes import drop_takes
from triage.store.verdicts import take_back


@pytest.fixture
def engine(tmp_path):
    engine = open_store(f"sqlite:///{tmp_path / 'store.db'}")
    yield engine
    engine.dispose()


def listed(engine, session_id=None, **options):
    with reading(engine) as db:
        return pickup_list(db, session_id, **options)


def reasons(engine, **options):
    return [pickup.reason for pickup in listed(engine, **options).pickups]


def judged(take, verdict, note=None, reason=None, by="anna"):
    return Verdict(take, verdict, by, NOON, note, reason)


def test_names_of_pitches_are_those_of_the_take_sheet():
    from triage.domain import pitch as pitchname

    assert [pitch_name(midi) for midi in range(128)] == [pitchname.pitch_name(midi) for midi in range(128)]


def test_a_full_plan_has_nothing_to_record_again(engine):
    fill(engine, [PlannedTake("T1", (53, 54), repetitions=3)])
    found = listed(engine)
    assert (found.cells, found.cells_complete, found.wanted, found.clean, found.missing) == (2, 2, 6, 6, 0)
    assert found.calls == () and found.estimate_s == 0
    assert "Nothing to record again" in pickups_page(found)


def test_an_empty_store_has_an_empty_list(engine):
    found = listed(engine)
    assert (found.cells, found.calls, found.sessions) == (0, (), ())


def test_the_reason_says_how_many_are_clean_and_what_is_wrong_with_the_others(engine):
    creaks = (spot("T1", "creak", 1), spot("T1", "creak", 2))
    fill(
        engine,
        [PlannedTake("T1", (69,), repetitions=2, spots=creaks)],
        planned=[PlannedTake("T2", (70,), repetitions=3)],
    )
    assert reasons(engine) == ["A4 ff: 0 of 2 clean; both with a creak", "A#4 ff: 0 of 3 clean; no take yet"]


@pytest.mark.parametrize(
    "take, verdicts, reason",
    [
        (
            PlannedTake("T1", (69,), repetitions=3, spots=(spot("T1", "creak", 2),)),
            (),
            "A4 ff: 2 of 3 clean; 1 more with a creak",
        ),
        (PlannedTake("T1", (69,), repetitions=3, missing=(3,)), (), "A4 ff: 2 of 3 clean; 1 not played"),
        (PlannedTake("T1", (69,), repetitions=1, missing=(1,)), (), "A4 ff: 0 of 1 clean; not played"),
        (
            PlannedTake("T1", (69,), repetitions=3, doubts=dict.fromkeys((1, 2, 3), 0.9)),
            (),
            "A4 ff: 0 of 3 clean; all 3 doubtful",
        ),
        (PlannedTake("T1", (69,), cents={1: 101.0}), (), "A4 ff: 0 of 1 clean; one at another pitch"),
        (PlannedTake("T1", (69,), spots=(spot("T1", "dropout", 1),)), (), "A4 ff: 0 of 1 clean; one with a dropout"),
        (
            PlannedTake("T1", (69,), repetitions=2, spots=(spot("T1", "hum", None),)),
            (),
            "A4 ff: 0 of 2 clean; both with hum",
        ),
        (
            PlannedTake("T1", (69,)),
            (judged("T1", "reject", 1, "cracked"),),
            "A4 ff: 0 of 1 clean; one rejected: cracked",
        ),
        (
            PlannedTake("T1", (69,)),
            (judged("T1", "reject", None, "too slow"),),
            "A4 ff: 0 of 1 clean; one rejected: too slow",
        ),
        (
            PlannedTake("T1", (69,)),
            (judged("T1", "accept"), judged("T1", "reject", by="ben")),
            "A4 ff: 0 of 1 clean; one disputed",
        ),
    ],
)
def test_each_kind_of_trouble_has_its_words(engine, take, verdicts, reason):
    fill(engine, [take], verdicts=verdicts)
    assert reasons(engine) == [reason]


def test_a_noise_counts_by_the_doubt_it_raises_not_by_its_strength(engine):
    strong_and_heard_as_fine = (hit("creak", 1), hit("breath", None))
    fill(engine, [PlannedTake("T1", (69, 70), hits=strong_and_heard_as_fine, spots=(spot("T1", "creak", 1, 0.1),))])
    assert listed(engine).missing == 0


def test_every_place_of_a_fault_in_the_samples_counts_though_one_finding_stands_for_all(engine):
    clicks = tuple(hit("digital-click", note, 1.0, None) for note in (1, 3))
    takes = [
        PlannedTake("T1", (69, 70, 71), hits=clicks, spots=(spot("T1", "digital-click", 1),)),
        PlannedTake("T2", (72, 73), hits=clicks[:1], spots=(spot("T2", "digital-click", 1, 0.03),)),  # its own sound
    ]
    fill(engine, takes)
    assert [pickup.pitch for pickup in listed(engine).pickups] == ["A4", "B4"]


def test_a_note_has_its_own_word_and_undone_verdicts_are_none(engine):
    takes = [PlannedTake("T1", (69, 70), doubts={1: 0.9})]
    session_id = fill(engine, takes, verdicts=[judged("T1", "reject"), judged("T1", "accept", 1)])
    assert reasons(engine) == ["A#4 ff: 0 of 1 clean; one rejected"]
    with writing(engine) as db:
        take_back(db, session_id, "anna", NOON, steps=2)
    assert reasons(engine) == ["A4 ff: 0 of 1 clean; one doubtful"]


def arrived(engine, session_id, *entries):
    with writing(engine) as db:
        save_arrivals(db, session_id, Arrivals(entries))


def test_players_are_not_called_for_what_a_flip_or_a_copy_mends(engine):
    faults = ("polarity", "delay", "truncated", "copied")
    takes = [PlannedTake(f"T{n}", (60 + n,), spots=(spot(f"T{n}", kind, None),)) for n, kind in enumerate(faults)]
    session_id = fill(engine, [*takes, PlannedTake("T4", (64,)), PlannedTake("T5", (65,)), PlannedTake("T6", (66,))])
    arrived(
        engine,
        session_id,
        ArrivalProblem("missing", take="T4", mic="room"),
        ArrivalProblem("unlike", "audio/T5_close.wav", what="sample_rate_hz", found=44100, expected=48000),
        ArrivalProblem("unlike", "audio/T6_close.wav", what="length_s", found=1.0, expected=2.0),
    )
    found = listed(engine)
    assert (found.missing, found.waiting, found.clean, found.calls) == (0, 7, 0, ())
    assert [mend_text(one) for one in found.for_engineer] == [
        "1 note in a copy of another take (T3): fetch the take's own files from the recorder",
        "1 note in a truncated file (T2): fetch the file again from the recorder",
        "1 note with close at 44100 Hz (T5): convert it to 48000 Hz",
        "1 note with close cut short (T6): fetch the file again from the recorder",
        "1 note with close late (T1): move it into place, and check the routing",
        "1 note with close's polarity reversed (T0): turn its polarity round, and check the cable",
        "1 note without room (T4): fetch the file from the recorder, or record the take again",
    ]
    assert "without room (T4)" in pickups_page(found)


@pytest.mark.parametrize(
    "action, counts", [("fetched", (0, 1, 0)), ("will-not-come", (1, 0, 0)), ("ignore", (0, 0, 1))]
)
def test_what_the_engineer_makes_of_a_missing_file_decides_who_is_called(engine, action, counts):
    session_id = fill(engine, [PlannedTake("T1", (69,))])
    arrived(engine, session_id, ArrivalProblem("missing", take="T1", mic="room"))
    with writing(engine) as db:
        record_action(db, session_id, ArrivalAction(action, "bert", NOON, take="T1", mic="room"))
    found = listed(engine)
    assert (found.missing, found.waiting, found.clean) == counts
    if action == "will-not-come":
        assert reasons(engine) == ["A4 ff: 0 of 1 clean; one without room, which will not come"]


def test_a_bit_depth_or_a_track_that_runs_on_keeps_no_note_from_being_clean(engine):
    session_id = fill(engine, [PlannedTake("T1", (69,))])
    odd = {"what": "bit_depth", "found": 16, "expected": 24}, {"what": "length_s", "found": 3.0, "expected": 2.0}
    arrived(engine, session_id, *(ArrivalProblem("unlike", "audio/T1_close.wav", **one) for one in odd))
    assert (listed(engine).clean, listed(engine).waiting) == (1, 0)


def test_another_sessions_notes_fill_the_cell_and_one_session_alone_can_be_asked_for(engine):
    first = fill(engine, [PlannedTake("T1", (69,), repetitions=2, missing=(2,))], "day1", 14)
    fill(engine, [PlannedTake("T1", (69,))], "day2", 15)
    assert listed(engine).missing == 0 and listed(engine).sessions == ("day1", "day2")
    assert listed(engine, first).missing == 1


def test_takes_that_are_gone_count_no_longer_and_their_rows_stay_planned(engine):
    session_id = fill(engine, [PlannedTake("T1", (69,)), PlannedTake("T2", (70,))], verdicts=[judged("T1", "accept")])
    with writing(engine) as db:
        assert drop_takes(db, session_id, ["T2"]) == ("T1",)
    assert reasons(engine) == ["A4 ff: 0 of 1 clean; no take yet"]


@pytest.mark.parametrize("seed", range(5))
def test_every_planted_hole_is_found_and_no_other(engine, seed):
    rng = np.random.default_rng(seed)
    wanted, clean, sessions = {}, {}, []
    for day in (14, 15):
        takes, planned, verdicts = [], [], []
        for number in range(8):
            pitches = tuple(int(p) for p in np.arange(3) + rng.integers(50, 60))
            dynamic, repetitions = str(rng.choice(["p", "ff"])), int(rng.integers(1, 4))
            take = PlannedTake(f"T{number}", pitches, dynamic, repetitions=repetitions)
            count = 3 * repetitions
            spoilt = set()
            for n in range(1, count + 1):
                if rng.random() < 0.25:
                    how = rng.integers(5)
                    spoilt.add(n)
                    if how == 0:
                        take = PlannedTake(**vars(take) | {"doubts": {**take.doubts, n: 0.8}})
                    elif how == 1:
                        take = PlannedTake(**vars(take) | {"cents": {**take.cents, n: 100.0}})
                    elif how == 2:
                        take = PlannedTake(**vars(take) | {"spots": (*take.spots, spot(take.name, "knock", n))})
                    elif how == 3:
                        click, found = hit("digital-click", n, 1.0, None), spot(take.name, "digital-click", n)
                        more = {"hits": (*take.hits, click), "spots": (*take.spots, found)}
                        take = PlannedTake(**vars(take) | more)
                    else:
                        verdicts.append(judged(take.name, "reject", n))
            recorded = rng.random() < 0.8
            (takes if recorded else planned).append(take)
            verdicts = [v for v in verdicts if recorded or v.take != take.name]
            for n in range(count):
                cell = Cell("horn", "staccato", dynamic, pitches[n // repetitions])
                wanted[cell] = max(wanted.get(cell, 0), repetitions)
                clean[cell] = clean.get(cell, 0) + (recorded and n + 1 not in spoilt)
        sessions.append(fill(engine, takes, f"day{day}", day, planned, verdicts))
    holes = {cell: number - clean[cell] for cell, number in wanted.items() if clean[cell] < number}
    found = {Cell(p.instrument, p.articulation, p.dynamic, p.pitch_midi): p.missing for p in listed(engine).pickups}
    assert holes and found == holes


def test_one_call_fixes_many_and_the_cheapest_value_comes_first(engine):
    takes = [
        PlannedTake("T1", tuple(range(50, 60))),
        PlannedTake("T2", (60,), instrument="tuba", repetitions=3, missing=(3,)),
    ]
    fill(
        engine,
        takes,
        planned=[
            PlannedTake("T3", tuple(range(60, 66)), instrument="oboe", dynamic="p"),
            PlannedTake("T4", (60, 61), instrument="oboe", articulation="sustain"),
        ],
    )
    calls = listed(engine).calls
    assert [(call.instrument, call.notes) for call in calls] == [("oboe", 8), ("tuba", 1)]
    assert [(one.articulation, one.dynamic, one.notes) for one in calls[0].passes] == [
        ("staccato", "p", 6),
        ("sustain", "ff", 2),
    ]
    assert [pickup.pitch_midi for pickup in calls[0].passes[0].pickups] == list(range(60, 66))


def test_players_in_other_seats_are_another_call(engine):
    fill(
        engine,
        [PlannedTake("T1", (50,), setup="by the wall", doubts={1: 0.9})],
        planned=[PlannedTake("T2", (51,), setup="in a half circle"), PlannedTake("T3", (52,))],
    )
    found = listed(engine)
    assert sorted(call.setup for call in found.calls) == ["by the wall", "in a half circle", "mill-day2-b"]
    assert "column `setup` of the take sheet" in found.assumed[1]


def test_the_time_is_that_of_the_takes_so_far(engine):
    # 12 notes in 13 s, two of them spoilt: 13/12 s a note, 12/10 restarts.
    fill(engine, [PlannedTake("T1", tuple(range(50, 62)), doubts={1: 0.9, 2: 0.9})])
    (call,) = listed(engine).calls
    assert call.estimate_s == pytest.approx(READY_S + USUAL_PAUSE_S + 2 * 13 / 12 * 12 / 10)


def test_pauses_are_taken_from_the_recorders_clock_but_not_from_file_times(engine):
    at = datetime(2026, 3, 14, 10, 0)
    takes = [
        PlannedTake("T1", (50,), recorded_at=at, recorded_from="bext"),
        PlannedTake("T2", (51,), recorded_at=at + timedelta(seconds=42), recorded_from="bext"),
        PlannedTake("T3", (52,), recorded_at=at + timedelta(seconds=44), recorded_from="file time", doubts={1: 0.9}),
    ]
    fill(engine, takes)
    found = listed(engine)
    assert found.calls[0].passes[0].estimate_s == pytest.approx(40.0 + 6.0, abs=6.0)  # 2 s long, next after 42 s
    assert "by the recorders' clock" in found.assumed[0]


def test_pitches_outside_a_brass_range_are_asked_about(engine):
    fill(
        engine,
        [PlannedTake("T1", (30, 77)), PlannedTake("T2", (20,), instrument="tuba")],
        planned=[PlannedTake("T3", (90,))],
    )
    assert listed(engine).warnings == (
        "horn: F#6 above the usual sounding range; an error on the sheet, or written pitch?",
        "horn: F#1 below the usual sounding range; an error on the sheet, or written pitch?",
        "tuba: G#0 below the usual sounding range; an error on the sheet, or written pitch?",
    )


def test_a_sheet_in_written_pitch_is_filled_by_what_sounds(engine):
    # Horn in F: written C5 (72) sounds F4 (65).
    fill(engine, [PlannedTake("T1", (65, 67), sheet=(72, 74))], planned=[PlannedTake("T2", (69,), sheet=(76,))])
    found = listed(engine)
    assert (found.cells, found.missing) == (3, 1)
    assert [pickup.pitch for pickup in found.pickups] == ["A4"]
    assert "7 semitones below the sheet" in found.warnings[0]


def test_loud_minutes_are_told_with_the_caution(engine):
    takes = [PlannedTake("T1", (50, 51, 52)), PlannedTake("T2", (60,), dynamic="p", doubts={1: 0.9})]
    fill(engine, takes, planned=[PlannedTake("T3", (53,))])
    found = listed(engine)
    (loud,) = found.loud
    assert loud.loud_s == pytest.approx(1.5)  # three notes of half a second
    (call,) = found.calls
    assert call.adds_loud_s == pytest.approx(0.5) and call.loud == loud
    page = pickups_page(found)
    assert "not medical advice; working-time agreements and licensed practice decide" in page


def test_the_page_is_for_paper_and_holds_no_script(engine):
    fill(engine, [PlannedTake("T1", tuple(range(50, 70)), instrument='<b>horn</b> & "friends"')], "mill <1>")
    page = pickups_page(listed(engine, repetitions=3))
    assert "<script" not in page and "<b>horn" not in page and "&lt;b&gt;horn" in page
    assert "http://" not in page and "https://" not in page and "src=" not in page
    assert "@page" in page and "break-before: page" in page and 'class="call alone"' in page
    assert len(re.findall('class="pitch"', page)) == 20
    large = float(re.search(r"\.pitch \{ font-size: ([0-9.]+)em", page)[1])
    assert large * 13 >= 24  # points on paper, to be read from a stand


@pytest.mark.parametrize("seconds, words", [(3, "10 s"), (44, "40 s"), (89, "90 s"), (90, "2 min"), (400, "7 min")])
def test_times_for_people(seconds, words):
    assert minutes(seconds) == words
