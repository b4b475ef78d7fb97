"""Numbers and findings on the pages: never more certain than they are, and in plain words."""

import re

import pytest

from triage.desk.template_filters import MEASURED, NOTHING, percent, span, version
from triage.domain.arrivals import ArrivalProblem, Arrivals
from triage.domain.measurements import COMPARED
from triage.store.arrivals import save_arrivals
from triage.store.engine import open_store, writing


@pytest.mark.parametrize(
    "share, text", [(None, NOTHING), (0.9999, ">99 %"), (0.99, "99 %"), (0.5, "50 %"), (0.01, "1 %"), (0.0, "<1 %")]
)
def test_a_probability_is_never_shown_as_certain(share, text):
    assert percent(share) == text


@pytest.mark.parametrize(
    "seconds, text", [(None, NOTHING), (0.0, NOTHING), (0.04, NOTHING), (0.06, "0.1 s"), (89.6, "90 s")]
)
def test_no_length_of_time_is_shown_as_nothing_point_nothing(seconds, text):
    assert span(seconds) == text


def test_a_broken_file_is_said_as_what_to_do_with_its_bytes_under_details(desk):
    why = "truncated: 1197540 bytes of samples promised, the file holds 478989; copy it again from the recorder"
    engine = open_store(desk.settings.store)
    with writing(engine) as db:
        save_arrivals(db, 1, Arrivals((ArrivalProblem("broken", "audio/T001_close.wav", why=why),)))
    engine.dispose()
    page = desk.person().get("/s/1/arrivals").text
    shown, _, details = page.partition("<summary>details</summary>")
    assert "the copy of T001_close.wav is cut short: fetch it again" in shown and "bytes" not in shown
    assert details.startswith(f"audio/T001_close.wav: {why}<")


def test_the_list_says_what_was_said_of_single_notes(desk):
    anna = desk.person()
    body = {"verdict": "reject", "key": "click-0001", "notes": [2, 1], "reason": "attack"}
    assert anna.post("/api/takes/1/verdict", body).status_code == 200
    assert '<span class="verdict reject">reject</span> notes 1, 2 <a' in anna.get("/s/1/queue/list").text


@pytest.mark.parametrize(
    "name, text",
    [
        ("notes-1-0186f76e", "notes-1"),
        ("taste-20260314-090500-ab12cd", "tolerances of 14 March 2026, 09:05"),
        ("verdicts-20260314-090500-ab12cd", "model of 14 March 2026, 09:05"),
        ("doubt-4", "doubt-4"),
    ],
)
def test_a_version_is_named_without_its_digest(desk, name, text):
    assert version(name) == text
    assert not re.search(r"-[0-9a-f]{6,}", desk.person("petra", "producer").get("/models").text.partition("<main")[2])


def test_every_measurement_on_a_card_is_a_word_of_the_trade():
    assert MEASURED.keys() <= COMPARED.keys()
    shown = {MEASURED.get(name, one.label) for name, one in COMPARED.items()}
    assert len(shown) == len(COMPARED)  # no two are called alike
    assert not [words for words in shown if re.search(r"centroid|harmonicity|unvoiced|tilt|overshoot|_", words)]
