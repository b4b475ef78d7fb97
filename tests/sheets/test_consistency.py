"""The consistency report: from a store with known shifts to sentences, sheets and figures."""

import json
import re
from dataclasses import asdict, replace
from datetime import UTC, datetime
from xml.etree import ElementTree

import numpy as np
import pytest
from sqlalchemy import select, update

from training.consistency_truth import Planted, Shift, plant
from triage.domain.errors import StoreError
from triage.domain.verdict import Verdict
from triage.judge.curves import in_unit
from triage.judge.variance import Spread
from triage.sheets.consistency import consistency
from triage.sheets.consistency_figures import figures
from triage.sheets.consistency_text import (
    amount,
    change_in_unit,
    clock_text,
    drift_lines,
    spread_sentence,
    why_not_text,
)
from triage.sheets.consistency_values import ShareSheet
from triage.sheets.figure import Bars, svg, thinned
from triage.store import tables
from triage.store.engine import open_store, reading, writing
from triage.store.takes import find_session
from triage.store.verdicts import record_verdict

SMALL = Planted(
    {"length": Shift(register=2.0, shape="low"), "tuning": Shift(day=2.0), "level": Shift(setup=0.0)},
    dynamics=("p", "ff"),
    pitches=15,
    repetitions=2,
    sessions=1,
)


@pytest.fixture(scope="module")
def engine(tmp_path_factory):
    engine = open_store(f"sqlite:///{tmp_path_factory.mktemp('even') / 'planted.db'}")
    plant(engine, SMALL, seed=3)
    yield engine
    engine.dispose()


@pytest.fixture(scope="module")
def report(engine):
    with reading(engine) as db:
        return consistency(db)


def spread_of(report, quantity):
    return next(one for one in report.spreads if one.quantity == quantity)


def test_the_report_covers_every_session_day_and_cell(report):
    assert report.sessions == ("kettle-weir-day1-a", "kettle-weir-day2-a")
    assert report.days == ("2026-03-14", "2026-03-15")
    assert len(report.dots) == 2 * 2 * 15 * 2
    assert [(c.dynamic, c.quantity) for c in report.curves] == [
        (d, q) for d in ("ff", "p") for q in report.quantities
    ]
    assert all(sorted(c.dots) == sorted(set(c.dots)) and len(c.pitches) == 15 for c in report.curves)


def test_the_sentence_on_lengths_says_register_and_which_notes(report):
    # Planted: the lowest fifth of the notes lies above the others by 5 noises of 0.04 in the logarithm.
    found = spread_of(report, "length")
    assert re.match(r"\d+ % \(\d+ to \d+\) of the spread of the horn staccato lengths \(one sigma", found.sentence)
    assert "is register: low notes run" in found.sentence and "ms long" in found.sentence
    assert found.sentence in report.sentences


def test_the_sentence_on_tuning_names_the_day_and_the_size(report):
    found = spread_of(report, "tuning")
    share = next(s for s in found.shares if s.factor == "day")
    assert share.share > 0.6 and share.low < share.share <= share.high
    # Two days 2 sigma apart, a sigma being 3 cents: 12 cents between them.
    assert "is the day: 2026-03-15 runs 12 cents sharp against 2026-03-14" in found.sentence
    assert dict(share.effects)["2026-03-15"] == pytest.approx(6.0, abs=0.5)


def test_what_cannot_be_told_is_said_and_has_no_number(report):
    shares = {s.factor: s for s in spread_of(report, "level").shares}
    assert shares["microphone"].why_not == "only one microphone" and shares["microphone"].share is None
    assert shares["session"].why_not == "changes whenever the day does"
    text = why_not_text(spread_of(report, "level").shares)
    assert text == "only one set-up and microphone; session: changes whenever the day does"


def test_the_ladder_rises_as_planted(report):
    (one,) = report.ladders
    assert (one.softer, one.louder, len(one.rungs), one.apart) == ("p", "ff", 15, False)
    assert one.sentence == "horn staccato, p to ff: louder at 15 of 15 pitches, brighter at 15."
    assert one.sentence not in report.sentences


def test_repetitions_have_one_row_a_cohort_and_quantity(report):
    assert len(report.repeats) == 2 * 5
    tuning = [one for one in report.repeats if one.quantity == "tuning"]
    assert all(one.low < one.sigma < one.high and one.unit == "cents" for one in tuning)


def test_a_day_without_drift_has_none_and_lines_stay_few(report):
    assert not any(one.found for one in report.drifts)
    assert {one.clock for one in report.drifts} == {True}
    lines = drift_lines(report.drifts)
    assert len(lines) <= 4 and all("horn on 2026-03-1" in line for line in lines)


def test_the_overview_says_what_is_worst_where_whether_it_is_heard_and_what_to_do(report):
    order = [(one.audible in ("no", "hardly"), -one.weight) for one in report.worst]
    assert order == sorted(order)
    lengths = next(one for one in report.worst if one.what.startswith("lengths: "))
    assert "low notes run" in lengths.what and lengths.where == "horn staccato"
    assert (lengths.audible, lengths.do) == ("no", "nothing: measured, not heard")  # 44 ms of half a second
    low, usual = (report.dots[row] for row in lengths.dots)
    assert low.pitch_midi < usual.pitch_midi
    day = next(one for one in report.worst if one.what.startswith("tuning: "))
    assert day.audible.startswith("yes, ") and "keep notes of one day together" in day.do
    assert len({report.dots[row].session for row in day.dots}) == 2


def test_what_lies_apart_is_said_as_the_queue_says_it(tmp_path):
    engine = open_store(f"sqlite:///{tmp_path / 'planted.db'}")
    plant(engine, replace(SMALL, days=1), seed=3)
    with writing(engine) as db:
        takes = db.execute(select(tables.take.c.id).order_by(tables.take.c.id)).scalars().all()
        off = tables.note.c.number == 2
        for take, doubt in ((takes[0], 0.9), (takes[1], 0.02), (takes[2], 0.9), (takes[3], 0.9)):
            long = update(tables.note).where(tables.note.c.take_id == take, off)
            db.execute(long.values(length_s=tables.note.c.length_s * 3, doubt=doubt))
        session_id = db.scalar(select(tables.session.c.id))
        for take, said in (("T003", "accept"), ("T004", "reject")):
            record_verdict(db, session_id, Verdict(take, said, "anna", datetime.now(UTC), 2))
    with reading(engine) as db:
        found = consistency(db)
    engine.dispose()
    single = {one.dots[0]: one for one in found.worst if one.notes == 1 and "longer" in one.what}
    at = {(found.dots[row].take_id, found.dots[row].note): one.do for row, one in single.items()}
    assert at == {(takes[0], 2): "hear it in the queue (doubt 90 %)"}
    said = r": 1 doubtful in the queue, at 20 % or more, 1 accepted, [12] clean there too: different, not wrong\."
    assert re.search(said + "$", found.sentences[-1])
    apart = [found.dots[one.dot].take_id for one in found.strays]
    assert apart[0] == takes[0] and set(takes[:3]) <= set(apart) and takes[3] not in apart
    assert (takes[3], 2) not in {(dot.take_id, dot.note) for dot in found.dots} and found.rejected == 1


def test_of_very_many_notes_whole_takes_of_every_session_are_enough(engine, report, monkeypatch):
    monkeypatch.setattr("triage.sheets.consistency.MOST_IN_SPREAD", 60)
    with reading(engine) as db:
        some = consistency(db)
    assert len(some.dots) == len(report.dots) == 120
    for quantity, factor in (("length", "register"), ("tuning", "day")):
        found, every = spread_of(some, quantity), spread_of(report, quantity)
        assert (found.notes, found.all_notes, every.all_notes) == (60, 120, 120)
        assert found.sentence.endswith(" Estimated from 60 of the 120 notes, in whole takes.")
        assert "Estimated" not in every.sentence
        shares = [next(s.share for s in one.shares if s.factor == factor) for one in (found, every)]
        assert shares[0] == pytest.approx(shares[1], abs=0.15)


def test_a_planted_drift_is_told_with_the_clock(tmp_path):
    engine = open_store(f"sqlite:///{tmp_path / 'drift.db'}")
    plant(engine, replace(SMALL, shifts={"tuning": Shift(per_hour=8.0)}, take_pitches=2, days=1), seed=1)
    with reading(engine) as db:
        found = consistency(db)
    engine.dispose()
    one = next(d for d in found.drifts if d.quantity == "tuning")
    assert one.found and one.low < one.change < one.high
    assert one.change == pytest.approx(8.0 * 3.0 * (one.points[-1].hour - one.points[0].hour), rel=0.4)
    assert one.sentence.startswith("horn on 2026-03-14: the tuning rose by ")
    assert "from 10:02 to 10:40" in one.sentence
    assert one.sentence in found.sentences


def test_one_session_can_be_asked_for_alone(engine):
    with reading(engine) as db:
        found = consistency(db, ["kettle-weir-day2-a"])
        assert {dot.session for dot in found.dots} == {"kettle-weir-day2-a"}
        days = [share for one in found.spreads for share in one.shares if share.factor == "day"]
        assert {share.why_not for share in days} == {"only one day"}
        with pytest.raises(StoreError, match="no session 'day9'"):
            consistency(db, ["day9"])


def test_rejected_notes_are_left_out_and_counted(tmp_path):
    engine = open_store(f"sqlite:///{tmp_path / 'rejected.db'}")
    plant(engine, replace(SMALL, days=1), seed=1)
    with writing(engine) as db:
        session = find_session(db)
        record_verdict(db, session.id, Verdict("T001", "reject", "anna", datetime(2026, 3, 15, tzinfo=UTC)))
        found = consistency(db)
    engine.dispose()
    assert found.rejected == 10 and "T001" not in {dot.take for dot in found.dots}


def test_an_empty_store_is_one_clear_line(tmp_path):
    engine = open_store(f"sqlite:///{tmp_path / 'empty.db'}")
    with reading(engine) as db, pytest.raises(StoreError, match="no note to compare in the store"):
        consistency(db)
    engine.dispose()


def points_of(figure):
    return [point for one in figure.series for point in one.points]


def test_every_point_of_a_figure_can_be_played(report):
    drawn = figures(report)
    assert list(drawn) == [
        "curves: horn staccato",
        "ladder: horn staccato",
        "shares: horn",
        "drift: horn 2026-03-14",
        "drift: horn 2026-03-15",
    ]
    known = {f"{d.take_id}:{d.note}" for d in report.dots}
    assert {point.note for point in points_of(drawn["curves: horn staccato"])} == known
    for name in ("ladder: horn staccato", "drift: horn 2026-03-14"):
        assert {point.note for point in points_of(drawn[name])} <= known and points_of(drawn[name])


def test_dynamics_stand_from_soft_to_loud_in_the_legend(report):
    series = figures(report)["curves: horn staccato"].series
    assert [one.name for one in series if one.in_legend] == ["p", "ff"]


def test_shares_in_a_bar_add_up_to_all_of_it(report):
    bars = figures(report)["shares: horn"]
    assert np.sum([shares for *_, shares in bars.parts], axis=0) == pytest.approx(np.full(5, 100.0))


def test_every_figure_is_drawn(report):
    for name, figure in figures(report).items():
        drawn = svg(figure, name)
        assert drawn.startswith("<svg ") and drawn.endswith("</svg>") and f'aria-label="{name}"' in drawn
        assert "nan" not in drawn and "None" not in drawn
        ElementTree.fromstring(drawn)
        if isinstance(figure, Bars):
            assert drawn.count("<rect") == len(figure.names) * len(figure.parts)
        else:
            assert drawn.count("data-note=") == len(points_of(figure))


def test_places_on_the_paper_grow_with_the_values(report):
    figure = figures(report)["curves: horn staccato"]
    soft = next(one for one in figure.series if one.panel == 0)
    usual = {point.note: point for point in soft.points if not point.stands_out}
    drawn = ElementTree.fromstring(svg(replace(figure, series=(soft,)), "x"))
    marks = [one for one in drawn.iter("circle") if one.get("data-note") in usual]
    points = [usual[one.get("data-note")] for one in marks]
    assert len(points) == len(usual) > 10
    places = np.array([(float(one.get("cx")), float(one.get("cy"))) for one in marks])
    assert np.corrcoef(places[:, 0], [p.x for p in points])[0, 1] > 0.999  # pitch to the right
    assert np.corrcoef(places[:, 1], [p.y for p in points])[0, 1] < -0.999  # SVG counts downwards


def test_a_point_says_which_note_it_is_so_that_a_page_can_play_it(report):
    drawn = svg(figures(report)["curves: horn staccato"], "x")
    named = re.findall(r'data-note="(\d+:\d+)" data-label="([^"]+)"', drawn)
    assert {key for key, _ in named} == {f"{dot.take_id}:{dot.note}" for dot in report.dots}
    assert all(re.fullmatch(r"\S+ note \d+, \S+ \S+: \S+", label) for _, label in named)


def test_of_very_many_points_some_are_drawn_and_every_one_that_stands_out(report):
    figure = figures(report)["curves: horn staccato"]
    assert thinned(figure, 10**6) == (figure, 0)
    odd = [replace(one, points=tuple(replace(p, stands_out=True) for p in one.points)) for one in figure.series]
    assert thinned(replace(figure, series=tuple(odd)), 5) == (replace(figure, series=tuple(odd)), 0)
    few, left_out = thinned(figure, 60)
    every, kept = points_of(figure), points_of(few)
    assert [p for p in kept if p.stands_out] == [p for p in every if p.stands_out]
    assert len([p for p in kept if not p.stands_out]) <= 60
    assert left_out == len(every) - len(kept) > 0
    assert [(one.line, one.band) for one in few.series] == [(one.line, one.band) for one in figure.series]
    assert len(svg(few, "x")) < len(svg(figure, "x"))


def test_the_report_is_plain_values_all_the_way_down(report):
    json.dumps(asdict(report), allow_nan=False)


@pytest.mark.parametrize(
    "quantity, change, text",
    [
        ("length", -0.0904, "90 ms"),
        ("length", 1.23, "1.2 s"),
        ("tuning", 6.04, "6.0 cents"),
        ("tuning", -12.2, "12 cents"),
        ("level", 1.26, "1.3 dB"),
        ("brightness", 143.2, "143 Hz"),
        ("doubt", 0.12, "12 points"),
    ],
)
def test_amounts_are_written_for_readers(quantity, change, text):
    assert amount(quantity, change) == text


def test_files_whose_times_overlap_tell_no_clock(tmp_path):
    engine = open_store(f"sqlite:///{tmp_path / 'copied.db'}")
    plant(engine, replace(SMALL, days=1), seed=1)
    with writing(engine) as db:
        db.execute(update(tables.take).values(recorded_at=datetime(2026, 3, 20, 9, 0), recorded_from="file time"))
        found = consistency(db)
    engine.dispose()
    assert {one.clock for one in found.drifts} == {False}
    assert [p.hour for p in found.drifts[0].points] == [float(n) for n in range(1, 7)]


def test_the_clock_goes_on_past_midnight():
    assert [clock_text(h) for h in (10.0, 13.5, 24.25)] == ["10:00", "13:30", "00:15"]


def test_nothing_untold_needs_no_words():
    assert why_not_text([ShareSheet("day", 2, 0.5, 0.4, 0.6, (), "")]) == ""


@pytest.mark.parametrize("quantity, what", [("tuning", "tuning"), ("length", "lengths"), ("attack", "attack times")])
def test_an_even_quantity_is_said_in_one_grammatical_sentence_whatever_its_number(quantity, what):
    even = Spread((), 1e-6, 20, np.zeros(20, bool), ())
    sentence = spread_sentence("tuba", "staccato", quantity, even, 1.0)
    assert sentence.startswith(f"There is nothing inconsistent in the tuba staccato {what}: one sigma is ")


@pytest.mark.parametrize("quantity", ["length", "level", "brightness", "attack", "tuning"])
@pytest.mark.parametrize("effect", [-900.0, -3.0, 0.1, 3.0, 900.0])
def test_no_difference_is_given_that_no_two_notes_have(quantity, effect):
    low, high = in_unit(quantity, np.array([-1.2, -0.4]))
    change = change_in_unit(quantity, effect, float(in_unit(quantity, np.array([-0.7]))[0]), (-1.2, -0.4))
    assert np.isfinite(change) and abs(change) <= high - low + 1e-9 and np.sign(change) == np.sign(effect)
