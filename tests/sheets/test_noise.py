"""The noise sheet says what the store holds, in words that can be acted on, on a page that needs nothing else."""

import re
from dataclasses import replace
from datetime import datetime, timedelta
from html.parser import HTMLParser

import numpy as np
import pytest

from tests.noisy import CHAIR, NOTES, OCTAVES, TAKES, ranked_store, save_noisy
from tests.noisy import take as noisy_take
from triage.domain.errors import StoreError
from triage.domain.hit import Hit
from triage.domain.take import NoiseFloor, Take
from triage.judge.hit_groups import HitGroup
from triage.judge.noise_rating import noise_rating, nr_curve_db
from triage.ranking.session import mark_groups
from triage.sheets.backgrounds import mic_backgrounds
from triage.sheets.figure import svg
from triage.sheets.noise import HitSpectrogram, Sound, clock, noise_page, noise_sheet
from triage.sheets.noise_charts import rating_chart, trend_path
from triage.sheets.noise_text import line_of, ordinal, rating_text, remedy_of
from triage.sheets.timeline import MOST_STRIPS, in_order, timeline
from triage.store.engine import open_store, reading, writing
from triage.store.stored import StoredTake
from triage.store.takes import save_take, takes

SPL = {"close": 112.0, "room": 106.0}


@pytest.fixture
def store(tmp_path):
    """A ranked session with a creaking chair; give the engine and the session."""
    with ranked_store(f"sqlite:///{tmp_path / 'store.db'}") as both:
        yield both


def sheet_of(store, **more):
    engine, session = store
    with reading(engine) as db:
        return noise_sheet(db, session.id, **more)


def page_of(sheet):
    return noise_page(sheet, lambda hit: None, lambda hit: None)


def group(kind="creak", rhythm="after-3", hits=14, n_takes=9, **more):
    values = {"audible": hits, "exposed": 0.9, "low_dbfs": -52.0, "high_dbfs": -47.6, "worst": 0, "always": True}
    values |= more
    return HitGroup(f"room-left:{kind}:{rhythm}", "room-left", kind, rhythm, tuple(range(hits)), n_takes, **values)


def test_a_group_reads_as_in_the_issue():
    assert line_of(group()) == "creak, room-left, 14 times in 9 takes, always after the third note"


@pytest.mark.parametrize(
    "made, line",
    [
        (group(rhythm="after-0", always=False), "creak, room-left, 14 times in 9 takes, before the first note"),
        (group(rhythm="any", hits=1, n_takes=1), "creak, room-left, once in 1 take"),
        (
            group("mechanism", "note-ends", 2, 1),
            "valve or key noise, room-left, twice in 1 take, always as notes end",
        ),
        (group("bleed", "regular", 30, 2, period_s=0.5), "bleed, room-left, 30 times in 2 takes, every 0.50 s"),
        (group("hum", "steady", 31, 31), "hum, room-left, in 31 takes"),
        (group(rhythm="after-22"), "creak, room-left, 14 times in 9 takes, always after the 22nd note"),
    ],
)
def test_each_rhythm_has_its_words(made, line):
    assert line_of(made) == line


def test_ordinals_are_english():
    assert [ordinal(n) for n in (1, 10, 11, 12, 13, 21, 102, 111, 113)] == [
        "first",
        "tenth",
        "11th",
        "12th",
        "13th",
        "21st",
        "102nd",
        "111th",
        "113th",
    ]


def test_what_to_put_right_names_the_cause_the_number_and_the_remedy():
    words = "Chair or stand near the room-left microphone: 14 creaks, always after the third note; oil it or swap it."
    assert remedy_of(group()) == words
    assert "rising by 4 dB over the session; check its cable" in remedy_of(
        group("hum", "steady", 31, 31), "rising by 4 dB over the session"
    )
    assert "one clock" in remedy_of(group("digital-click", "regular", 9, 1, period_s=2.0))


def test_the_sheet_counts_groups_and_times(store):
    sheet = sheet_of(store)
    assert (sheet.takes, sheet.hits, sheet.silent) == (TAKES, TAKES + TAKES - 2 + 1, 0)
    assert sheet.minutes == pytest.approx(TAKES * 12 / 60)
    assert sheet.counts == {"breath": {"close": 12}, "creak": {"room": 10}, "dropout": {"close": 1}}
    assert sheet.mics == ("close", "room")
    chair = next(line for line in sheet.groups if line.group.key == CHAIR)
    assert chair.line == "creak, room, 10 times in 10 takes, always after the third note"
    assert (chair.first.take, chair.last.take, chair.worst.take) == ("T003", "T012", "T012")
    assert chair.levels == "-50 to -49 dBFS"
    assert sheet.audible == 11
    assert [line.group.kind for line in sheet.groups] == ["creak", "dropout", "breath"]


def test_what_to_put_right_holds_groups_lost_sound_and_a_rising_background(store):
    found = " ".join(sheet_of(store).to_fix)
    assert "Chair or stand near the room microphone: 10 creaks" in found
    assert "Sound missing at the close microphone: once" in found
    assert "The background of the room microphone rose by 6 dB from the first take" in found  # 0.5 dB a take
    assert "close microphone rose" not in found and "NR" not in found


def test_a_harmless_group_is_silent_on_the_sheet_and_said_to_be(store):
    mark_groups(*store, [CHAIR], "anna")
    sheet = sheet_of(store)
    assert CHAIR not in [line.group.key for line in sheet.groups]
    assert (sheet.silent, sheet.harmless[0].key, sheet.harmless[0].by) == (TAKES - 2, CHAIR, "anna")
    assert f"--not-harmless '{CHAIR}'" in page_of(sheet)
    assert CHAIR in [line.group.key for line in sheet_of(store, everything=True).groups]


def test_a_session_that_is_not_there_is_one_clear_line(store):
    with reading(store[0]) as db, pytest.raises(StoreError, match="no session with id 99"):
        noise_sheet(db, 99)


def test_without_a_calibration_the_page_says_how_to_give_one(store):
    page = page_of(sheet_of(store))
    assert "full_scale_db_spl" in page and "dB(A)" in page and "NR by ISO" not in page
    assert not sheet_of(store).calibrated


def test_with_a_calibration_backgrounds_are_in_db_a_and_on_the_curves(tmp_path):
    engine = open_store(f"sqlite:///{tmp_path / 'store.db'}")
    with writing(engine) as db:
        session_id = save_noisy(db, full_scale_db_spl={"room": 106.0})
    with reading(engine) as db:
        sheet = noise_sheet(db, session_id)
    engine.dispose()
    close, room = sheet.backgrounds
    # By hand: the median of -77.5, -77.0 ... -72.0 is -74.75; a tone at 106 dB SPL reads -3.01 dBFS.
    assert (close.db_a, close.rating) == (None, None)
    assert room.db_a == pytest.approx(-74.75 + 106 + 3.01)
    expected = noise_rating(np.array(OCTAVES[:9]) + 106 + 3.01)
    assert (room.rating.nr, room.rating.band_hz) == (pytest.approx(expected.nr), expected.band_hz)
    page = page_of(sheet)
    assert f"NR {expected.curve} by" in page and "NR 10</text>" in page
    assert any(f"NR {expected.curve} at room" in line for line in sheet.to_fix) == (expected.curve > 15)


def test_a_loud_background_is_said_once_for_all_microphones():
    words = rating_text([("a", noise_rating(nr_curve_db(20))), ("b", noise_rating(np.array([75.0] + [np.nan] * 8)))])
    assert "above NR 15" in words and "NR 20 at a" in words and "NR 29 at b by its 31.5 Hz octave" in words
    assert "traffic" in words


def test_a_background_that_only_wavers_has_no_drift_and_one_that_was_not_measured_no_level():
    rng = np.random.default_rng(1)
    names = [f"T{n}" for n in range(40)]
    rows = [NoiseFloor("a", -70.0, a_dbfs=-75 + rng.normal(0, 2), take=name) for name in names]
    rows += [NoiseFloor("b", None, take=name) for name in names]
    rows += [NoiseFloor("c", -70.0, a_dbfs=-75 - 0.1 * n, take=name) for n, name in enumerate(names)]
    wavering, unknown, falling = mic_backgrounds(rows, names, {"b": 110.0})
    assert wavering.change_db is None and falling.change_db == pytest.approx(-3.9)
    assert (unknown.a_dbfs, unknown.db_a, unknown.rating, unknown.change_db) == (None, None, None, None)


def test_drawings_leave_out_what_is_not_known_and_keep_names_apart(store):
    assert trend_path([-70.0, None, -69.0, -68.0]).count("M") == 2
    assert trend_path([None, -70.0]) == ""
    sheet = sheet_of(store)
    assert rating_chart(sheet.backgrounds) is None
    chart = rating_chart([replace(one, full_scale_db_spl=SPL[one.mic]) for one in sheet.backgrounds] * 2)
    curves, mics = ({one.name: one for one in chart.series if one.in_legend is shown} for shown in (False, True))
    assert {"NR 10", "NR 15"} <= curves.keys() and mics.keys() == {"close", "room"}
    assert all(a > b for (_, a), (_, b) in zip(curves["NR 10"].line, curves["NR 10"].line[1:], strict=False))
    full_scale = {one.mic: one.octaves_dbfs[0] for one in sheet.backgrounds}
    # A tone at full scale reads -3.01 dBFS and has the level that the calibration names.
    assert mics["close"].line[0] == (0, pytest.approx(full_scale["close"] + SPL["close"] + 3.01))
    assert "NR 15" in svg(chart, "octaves") and 'data-legend="room"' in svg(chart, "octaves")


def recorded(store, minutes, source="bext"):
    """Give the takes of the store the times of a recorder."""
    engine, session = store
    with writing(engine) as db:
        for number in range(1, TAKES + 1):
            at = datetime(2026, 3, 14, 9, 50) + timedelta(minutes=minutes(number))
            record = {name: value for name, value in vars(noisy_take(number)).items()}
            save_take(db, session.id, Take(**record | {"recorded_at": at, "recorded_from": source}))
    with reading(engine) as db:
        return takes(db, session.id)


def test_the_line_is_the_clock_of_the_day_where_the_recorder_tells_it(store):
    played = in_order(recorded(store, lambda number: 240 - 20 * number))
    line = timeline(played, [])
    assert [take.name for take in played][:2] == ["T012", "T011"]  # by the clock, not by name
    assert line.on_clock and {"10:00", "10:30"} & {name for _, name in line.ticks}
    first, last = line.strips[0], line.strips[-1]
    assert first.x == line.left and last.x + last.width == pytest.approx(line.width)
    # 20 minutes from one take to the next, the last one 12 s long
    assert line.strips[1].x - first.x == pytest.approx((line.width - line.left) * 1200 / (11 * 1200 + 12))


def test_a_file_s_own_time_is_no_clock(store):
    played = recorded(store, lambda number: 240 - 20 * number, "file time")
    assert not timeline(in_order(played), []).on_clock
    assert in_order(played)[0].name == "T001"


def test_hits_stand_at_their_take_in_the_row_of_their_microphone(store):
    line = sheet_of(store).timeline
    rows = dict(line.rows)
    assert set(rows) == {"close", "room"}
    peaks = [mark for mark in line.marks if mark.shape == "peak"]
    assert len(peaks) == TAKES - 2 and {abs(mark.y - rows["room"]) < 7 for mark in peaks} == {True}
    assert line.shapes == ("peak", "ring", "cross")


def a_take(name):
    return StoredTake(1, name, None, None, None, None, None, (), 1, 12.0, None, True, "room", 0.1, 1.0, 1)


def test_of_very_many_takes_several_share_a_strip_and_no_hit_is_lost():
    names = [f"T{n:04}" for n in range(5000)]
    hits = [(Hit("creak", 1, 2, "room", ("room",), -60.0, 9.0, 0.8, take=name), "creak") for name in names]
    line = timeline([a_take(name) for name in names], hits)
    assert len(line.strips) <= MOST_STRIPS and line.strips[0].name == "T0000 to T0017"
    assert all(strip.x + strip.width <= line.width + 0.1 for strip in line.strips)
    told = [re.fullmatch(r".*, room: (\d+) \(creak\)", mark.title) for mark in line.marks]
    assert sum(int(one[1]) for one in told) == 5000 and len(line.marks) == len(line.strips)


class Reader(HTMLParser):
    """Collects tags, what they refer to, and what is left open."""

    VOID = ("meta", "br", "hr", "img", "link", "input")

    def __init__(self):
        super().__init__()
        self.tags, self.uses, self.open = [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.uses += [value for name, value in attrs if name in ("src", "href", "srcset", "data")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def read(page):
    reader = Reader()
    reader.feed(page)
    assert reader.open == []
    return reader


def test_the_page_stands_alone_without_script_and_prints(store):
    sheet = sheet_of(store)
    drawn, played = "data:image/png;base64,AA==", Sound("data:audio/flac;base64,AA==", 12.0)
    page = noise_page(
        sheet, lambda hit: HitSpectrogram(drawn, hit.start_s - 0.5, hit.start_s + 2, 40.0, 2e4), lambda hit: played
    )
    reader = read(page)
    assert "script" not in reader.tags and "link" not in reader.tags
    assert reader.uses and all(use.startswith("data:") for use in reader.uses)
    assert not re.search(r"url\(|@import|https?://", page)
    assert "@page" in page and page.count("<audio") == page.count("<image") == len(sheet.groups) == 3
    assert "always after the third note" in page and "+12 dB" in page


def test_a_hostile_name_is_text_on_the_page(tmp_path):
    engine = open_store(f"sqlite:///{tmp_path / 'store.db'}")
    with writing(engine) as db:
        session_id = save_noisy(db, name="<script>alert(1)</script>")
    with reading(engine) as db:
        page = page_of(noise_sheet(db, session_id))
    engine.dispose()
    assert "script" not in read(page).tags and "&lt;script&gt;" in page


def test_a_session_without_hits_or_takes_has_a_page_too(tmp_path):
    engine = open_store(f"sqlite:///{tmp_path / 'store.db'}")
    with writing(engine) as db:
        session_id = save_noisy(db)
        for number in range(1, TAKES + 1):
            save_take(db, session_id, Take(f"T{number:03}", "g"))
    with reading(engine) as db:
        page = page_of(noise_sheet(db, session_id))
    engine.dispose()
    read(page)
    assert "No noise hit." in page and "Nothing stands out." in page


def test_only_the_worst_groups_get_pictures_and_the_rest_a_line(store):
    sheet = sheet_of(store)
    many = replace(sheet, groups=tuple(replace(sheet.groups[0], line=f"line {n}") for n in range(20)))
    asked = []
    page = noise_page(many, lambda hit: asked.append(hit), lambda hit: None)
    assert len(asked) == 12 and page.count("<article") == 12 and "line 19" in page


@pytest.mark.parametrize(
    "seconds, words", [(0.04, "0:00.0"), (59.96, "1:00.0"), (75.25, "1:15.2"), (600.0, "10:00.0")]
)
def test_times_are_minutes_and_seconds(seconds, words):
    assert clock(seconds) == words


def test_notes_of_the_invented_session_are_as_told():
    assert len(noisy_take(3).notes) == NOTES
