"""What was just played, as whoever leads the session sees it."""

import re
from dataclasses import replace
from datetime import datetime

from tests.desk.server.evening import fill
from triage.domain.arrivals import ArrivalProblem, Arrivals
from triage.domain.judgement import Judgement, TakeJudgement
from triage.domain.sheet_row import SheetRow
from triage.domain.spot import Spot
from triage.domain.take import NoiseFloor, Take
from triage.store.arrivals import save_arrivals
from triage.store.engine import open_store, reading, writing
from triage.store.just_played import just_played
from triage.store.plan import save_sheet
from triage.store.ranking import save_judgement
from triage.store.session_progress import ahead, last_takes, mic_troubles
from triage.store.takes import find_session, save_take

DAY = datetime(2026, 3, 14, 14, 30)


def played(number: int, dynamic: str = "ff") -> Take:
    return Take(
        f"T{number:03}",
        f"f{number}",
        "horn",
        "staccato",
        dynamic,
        duration_s=40.0,
        audio_digest="s",
        recorded_at=DAY.replace(minute=30 + number),
        recorded_from="bext",
    )


def told(engine) -> int:
    """Store four takes that were played one after another, and what the judge says of them."""
    takes = [played(11), played(12), played(13), played(14, "pp")]
    doubts = {"T011": 0.05, "T012": 0.3, "T013": 0.8, "T014": None}
    spot = Spot("T013", 12.31, 12.7, 4, "length", 0.8, "0.21 s longer than its neighbours")
    with writing(engine) as db:
        session_id = find_session(db).id
        for take in takes:
            save_take(db, session_id, take)
        save_take(db, session_id, replace(played(15), recorded_at=None, analysed=False, problem="cannot be read"))
        judged = tuple(TakeJudgement(name, doubt, 3.0, k) for k, (name, doubt) in enumerate(doubts.items(), 1))
        save_judgement(db, session_id, Judgement("m 1", judged, (), (spot,)))
        save_arrivals(db, session_id, Arrivals((ArrivalProblem("missing", take="T012", mic="room"),), 3))
    return session_id


def test_the_page_asks_to_go_again_with_the_reasons_the_last_take_first(either_desk):
    engine = open_store(either_desk.settings.store)
    told(engine)
    engine.dispose()
    page = either_desk.person("lena", "lead").get("/s/1/played").text
    assert re.findall(r">(T0\d\d)</a>", page) == ["T014", "T013", "T012", "T011"]
    advice = re.findall(r'class="advice [a-z]+">([^<]+)<', page)
    assert advice == ["Not judged yet", "Go again?", "Listen once", "Nothing stands out"]
    assert "note 4, at 0:12.31: 0.21 s longer than its neighbours" in page and "Not here: room" in page
    assert "The first take of its kind: it can only be compared with itself" in page  # the pp
    assert "<strong>T015</strong> cannot be read" in page


def test_the_page_says_what_comes_next_and_which_microphone_is_in_trouble_since_when(desk):
    engine = open_store(desk.settings.store)
    session_id = told(engine)
    rows = [SheetRow(f"T{n:03}", "horn", "staccato", "ff", (53, 54), 2) for n in (11, 12, 13, 14, 16, 17)]
    hum = [Spot(f"T{n:03}", 0.0, 40.0, None, "hum", 0.9, "hum", "room") for n in (11, 13, 14)]
    with writing(engine) as db:
        save_sheet(db, session_id, rows)
        for take in (13, 14):
            turned = tuple(NoiseFloor(mic, -70.0, 0.01, -1, 2.5) for mic in ("main", "room"))
            save_take(db, session_id, replace(played(take), floors=turned, measured_mic="close"))
        save_judgement(db, session_id, Judgement("m 1", (), (), tuple(hum)))
    with reading(engine) as db:
        last = last_takes(db, session_id)
        found = [(one.mic, one.what, one.since) for one in mic_troubles(db, session_id, last)]
        assert found == [("close", "polarity turned", "T013"), ("room", "hum", "T013")]
        to_come = ahead(db, session_id, last)
        assert [row.take for row in to_come.rows] == ["T016", "T017"]
        assert (to_come.left, to_come.planned, to_come.left_s) == (2, 6, 120.0)  # a take a minute
    engine.dispose()
    page = desk.person("lena", "lead").get("/s/1/played").text
    assert "close: polarity turned" in page and "since T013, 14:43" in page
    assert "2 of 6" in page and "about 2 min at this pace" in page and "F3, F♯3" in page


def test_where_two_microphones_can_be_compared_the_takes_before_tell_which_is_turned(desk):
    engine = open_store(desk.settings.store)
    session_id = told(engine)

    def turned(take, *mics):
        floors = tuple(NoiseFloor(mic, -70.0, 0.01, -1, 2.5) for mic in mics)
        with writing(engine) as db:
            save_take(db, session_id, replace(played(take), floors=floors, measured_mic="close"))
        with reading(engine) as db:
            return [
                (one.mic, one.what, one.since) for one in mic_troubles(db, session_id, last_takes(db, session_id))
            ]

    assert turned(14, "main") == [("main", "polarity opposite to close", "T014")]
    turned(13, "main", "room")
    assert turned(14, "main") == [("close", "polarity turned", "T013")]
    engine.dispose()


def test_whoever_leads_says_that_a_take_is_fine_or_to_be_played_again(desk):
    engine = open_store(desk.settings.store)
    told(engine)
    engine.dispose()
    lead = desk.person("lena", "lead")
    take_id = int(re.search(r'data-take="(\d+)"', lead.get("/s/1/played").text)[1])
    lead.post(f"/api/takes/{take_id}/verdict", {"verdict": "reject", "key": "12345678"})
    page = lead.get("/s/1/played").text
    assert "to be played again" in page and "T014 again" in page
    assert 'data-verdict="accept"' not in desk.person("eve", "engineer").get("/s/1/played").text


def test_takes_by_name_come_back_in_the_order_they_were_played(tmp_path):
    engine = open_store(f"sqlite:///{tmp_path / 'store.db'}")
    fill(engine, tmp_path / "mill")
    session_id = told(engine)
    with engine.connect() as db:
        found = just_played(db, session_id, names=["T011", "T013"])
        assert [one.take.name for one in found] == ["T013", "T011"]
        # Four takes of evening.py and T011, T012, T015 are horn staccato ff as well; counted up to three.
        assert [one.others for one in found] == [3, 3] and found[0].spots[0].note == 4
        assert [one.take.name for one in just_played(db, session_id, 2)] == ["T014", "T013"]
    engine.dispose()


def test_before_the_first_take_the_page_says_how_takes_come_in(desk):
    assert "Nothing has been played yet" in desk.person().get("/s/1/played").text  # none was heard on a clock
