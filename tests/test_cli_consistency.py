"""The command `triage consistency`: table, JSON and a page that stands alone, with sound in it."""

import base64
import io
import json
import re

import numpy as np
import pytest
import soundfile
from sqlalchemy import insert, select, update

from tests.commands import run, sqlite
from training.consistency_truth import Planted, Shift, plant
from triage.store import tables
from triage.store.engine import open_store, writing

RATE_HZ = 96_000
PLANTED = Planted({"tuning": Shift(day=2.0)}, dynamics=("p", "ff"), pitches=10, repetitions=2, sessions=1)
KEYS = {
    "sessions",
    "days",
    "rejected",
    "quantities",
    "worst",
    "sentences",
    "dots",
    "curves",
    "strays",
    "ladders",
    "repeats",
    "pairs",
    "spreads",
    "drifts",
}


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Two sessions; only the first take's recording is there: a tone in its second channel."""
    folder = tmp_path_factory.mktemp("consistency")
    address = sqlite(folder)
    engine = open_store(address)
    plant(engine, PLANTED, seed=2)
    take, track, session = tables.take, tables.track, tables.session
    with writing(engine) as db:
        db.execute(update(session).values(folder=str(folder)))
        ids = sorted(db.scalars(select(take.c.id)))
        rows = [{"take_id": i, "mic": "close", "path": f"{i}.wav", "channel": 1} for i in ids]
        db.execute(insert(track), rows)
    engine.dispose()
    tone = 0.25 * np.sin(2 * np.pi * 440 * np.arange(30 * RATE_HZ) / RATE_HZ)
    soundfile.write(folder / f"{ids[0]}.wav", np.column_stack([0 * tone, tone]), RATE_HZ, "PCM_24")
    return address, ids[0]


def test_the_table_says_what_is_worst_first_and_then_what_they_rest_on(store):
    output = run("consistency", "--store", store[0])
    assert output.status == 0 and output.err == ""
    lines = output.out.splitlines()
    assert lines[:2] == ["kettle-weir-day1-a, kettle-weir-day2-a: 80 notes, 2026-03-14, 2026-03-15", "what is worst"]
    assert "tuning: 2026-03-15 runs 12 cents sharp" in lines[3] and "yes, 1.2 times what is noticed" in lines[3]
    for part in (
        "is the day: 2026-03-15 runs",
        "curves over the keyboard",
        "ladder of dynamics",
        "where the spread comes from",
        "repetitions of a cell",
        "drift over the day",
    ):
        assert part in output.out
    assert "cannot be determined: only one set-up and microphone" in " ".join(output.out.split())


def test_json_has_the_documented_keys_and_nothing_else_on_stdout(store):
    output = run("consistency", "--format", "json", "--store", store[0])
    found = json.loads(output.out)
    assert set(found) == KEYS and output.err == ""
    dot = found["dots"][found["curves"][0]["dots"][0]]
    assert set(dot) == {
        "take_id",
        "session",
        "take",
        "note",
        "doubt",
        "verdict",
        "instrument",
        "articulation",
        "dynamic",
        "mic",
        "pitch_midi",
        "start_s",
        "end_s",
        "values",
    }
    assert len(dot["values"]) == len(found["quantities"]) == 5


def test_named_sessions_alone_are_compared(store):
    output = run("consistency", "kettle-weir-day2-a", "--format", "json", "--store", store[0])
    assert json.loads(output.out)["sessions"] == ["kettle-weir-day2-a"]
    wrong = run("consistency", "kettle-weir-day3-a", "--store", store[0])
    assert wrong.status == 1 and wrong.err.startswith("error: no session 'kettle-weir-day3-a'; nearest: ")
    assert run("consistency", "--format", "csv", "--store", store[0]).status == 2


@pytest.fixture(scope="module")
def page(store, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "even.html"
    output = run("consistency", "--format", "html", "--out", path, "--store", store[0])
    assert output.status == 0 and output.out == ""
    return path.read_text(encoding="utf-8")


def in_script(page, name):
    return json.loads(re.search(rf'<script type="application/json" id="{name}">(.*?)</script>', page, re.DOTALL)[1])


def test_the_page_stands_alone(page):
    assert not re.search(r'(?:src|href)="(?!#)', page) and "http" not in page.replace("data:audio", "")


def test_the_page_says_what_the_table_says_and_draws_every_figure(page):
    assert "is the day: 2026-03-15 runs" in page
    assert page.count('<figure class="figure">') == page.count("<svg ") == 5
    assert set(re.findall(r'data-legend="(p|ff)"', page)) == {"p", "ff"}


def test_what_can_be_read_can_be_heard_at_its_own_level(page, store):
    sounds = in_script(page, "sounds")
    assert set(sounds) == {f"{store[1]}:{note}" for note in range(1, 11)}  # all notes of the one take that is there
    samples, rate_hz = soundfile.read(io.BytesIO(base64.b64decode(sounds[f"{store[1]}:3"])))
    assert rate_hz == 48_000 and len(samples) / rate_hz == pytest.approx(1.5, abs=0.06)
    middle = samples[len(samples) // 4 : len(samples) // 2]
    assert np.abs(middle).max() == pytest.approx(0.25, abs=0.02)
    hz = np.argmax(np.abs(np.fft.rfft(middle * np.hanning(len(middle))))) * rate_hz / len(middle)
    assert hz == pytest.approx(440, abs=3)
    assert "70 could not be read where they were taken in" in page


def test_the_budget_of_audio_is_kept_and_said(store, tmp_path):
    path = tmp_path / "silent.html"
    assert run("consistency", "--format", "html", "--out", path, "--audio-mb", 0, "--store", store[0]).status == 0
    silent = path.read_text(encoding="utf-8")
    assert in_script(silent, "sounds") == {} and "80 more would make it too large" in silent


def test_a_file_that_cannot_be_written_is_one_line(store, tmp_path):
    output = run("consistency", "--out", tmp_path / "no" / "where.txt", "--store", store[0])
    assert output.status == 1 and "cannot be written" in output.err
