"""People, their log-ins and preferences, and pictures, kept and given back."""

from datetime import timedelta

import pytest
from sqlalchemy import select

from triage.domain.errors import StoreError
from triage.domain.preview import Preview
from triage.domain.take import Take
from triage.store import tables
from triage.store.accounts import (
    accounts,
    find_person,
    log_in,
    log_out,
    logged_in,
    people,
    remove_person,
    save_person,
    secret_key,
    set_password,
)
from triage.store.engine import reading, writing
from triage.store.preferences import preferences, save_preferences
from triage.store.previews import drawn_mics, find_preview, pitch_contours
from triage.store.takes import save_take

DAY = timedelta(days=1)


def test_a_name_is_one_person_however_it_is_written(engine):
    with writing(engine) as db:
        first = save_person(db, "  Anna  Berg ", "editor")
        again = save_person(db, "anna berg", "producer")
        assert (again.id, again.name, again.role) == (first.id, "Anna Berg", "producer")
        assert people(db) == (again,) and find_person(db, "ANNA BERG") == again


@pytest.mark.parametrize("name, role", [("", "editor"), ("a\x07b", "editor"), ("a" * 61, "editor"), ("anna", "boss")])
def test_a_name_or_role_that_cannot_be_is_refused(engine, name, role):
    with writing(engine) as db, pytest.raises(StoreError):
        save_person(db, name, role)


def test_the_store_never_holds_what_a_log_in_shows(engine):
    with writing(engine) as db:
        token = log_in(db, save_person(db, "anna", "editor").id, DAY)
        assert logged_in(db, token).name == "anna"
        assert token not in repr(db.execute(select(tables.login)).all())
        log_out(db, token)
        assert logged_in(db, token) is None


def test_a_log_in_ends_with_its_time_with_a_new_password_and_with_its_person(engine):
    with writing(engine) as db:
        anna = save_person(db, "anna", "editor")
        assert logged_in(db, log_in(db, anna.id, -DAY)) is None
        token = log_in(db, anna.id, DAY)
        set_password(db, anna.id, "hash")
        assert logged_in(db, token) is None and accounts(db) == 1
        token = log_in(db, anna.id, DAY)
        remove_person(db, "Anna")
        assert logged_in(db, token) is None and accounts(db) == 0
        with pytest.raises(StoreError, match="nobody is called 'anna'"):
            remove_person(db, "anna")


def test_the_key_is_made_once_and_kept(engine):
    with writing(engine) as db:
        first = secret_key(db, "desk")
    with writing(engine) as db:
        assert secret_key(db, "desk") == first and len(first) == 32
        assert secret_key(db, "other") != first


def test_preferences_have_defaults_and_keep_what_was_changed(engine):
    with writing(engine) as db:
        anna = save_person(db, "anna", "editor")
        assert preferences(db, anna.id)["bound_rejects"] == 1.0
        save_preferences(db, anna.id, {"bound_rejects": 2, "scheme": "dark"})
        save_preferences(db, anna.id, {"bound_rejects": 0.5})
        kept = preferences(db, anna.id)
    assert (kept["bound_rejects"], kept["scheme"], kept["around_s"]) == (0.5, "dark", 0.5)


@pytest.mark.parametrize(
    "changed",
    [
        {"bound": 1},
        {"bound_rejects": -1},
        {"bound_rejects": True},
        {"scheme": "pink"},
        {"gain_db": 40},
        {"bound_rejects": float("nan")},
        {"scheme": ["dark"]},
    ],
)
def test_a_preference_that_cannot_be_is_refused(engine, changed):
    with writing(engine) as db, pytest.raises(StoreError, match="preference"):
        save_preferences(db, save_person(db, "anna", "editor").id, changed)


def test_pictures_are_replaced_with_their_take(engine, session_id):
    close = Preview("close", b"w", 0.01, b"p", 0.02, 30.0, 19_000.0, b"c")
    room = Preview("room", b"w2", 0.01, b"p2", 0.06, 30.0, 19_000.0)
    with writing(engine) as db:
        take_id = save_take(db, session_id, Take("T1", "f", previews=(room, close)))
        assert drawn_mics(db, take_id) == ("close", "room")
        assert find_preview(db, take_id, "close") == close and pitch_contours(db, take_id) == b"c"
        save_take(db, session_id, Take("T1", "g", previews=(room,)))
    with reading(engine) as db:
        assert drawn_mics(db, take_id) == ("room",)
        assert find_preview(db, take_id, "close") is None and pitch_contours(db, take_id) is None
