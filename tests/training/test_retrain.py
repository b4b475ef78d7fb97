"""`triage retrain` on a store of made sessions: a version is kept, compared, tracked, used, and gone back from."""

import json
from datetime import UTC, datetime

import numpy as np
import pytest
from mlflow.tracking import MlflowClient

from tests.commands import run, sqlite
from tests.training.synthetic_sessions import made_session, record_of, verdicts_of
from training.retraining import retrained
from training.selection import RetrainingConfig
from triage.config import read_toml, shipped
from triage.domain.errors import JudgeError, StoreError
from triage.judge.doubt import load_model
from triage.ranking.session import rank_session
from triage.store import tables
from triage.store.engine import open_store, reading, writing
from triage.store.models import model_file, models, takes_by_model, version_in_use
from triage.store.ranking import queue
from triage.store.takes import find_session, save_session, save_take
from triage.store.verdicts import record_verdict

CONFIG = read_toml(shipped("configs/retraining.toml"), RetrainingConfig)
QUICK = CONFIG.model_copy(update={"candidates": ("weights", "linear"), "outer_folds": 3, "inner_folds": 2})


def fill(engine, seeds, verdicts=True, people=("anna",), label_noise=0.05):
    rng = np.random.default_rng(1)
    for seed in seeds:
        takes, truth = made_session(seed, takes=14)
        with writing(engine) as db:
            session_id = save_session(db, record_of(f"s{seed}"), datetime(2026, 3, 14, seed % 24, tzinfo=UTC))
            for take in takes:
                save_take(db, session_id, take)
            for by in people if verdicts else ():
                for verdict in verdicts_of(truth, rng, label_noise, by):
                    record_verdict(db, session_id, verdict)


@pytest.fixture
def tracking(tmp_path, monkeypatch):
    monkeypatch.setenv("MLFLOW_TRACKING_URI", f"sqlite:///{tmp_path / 'runs.db'}")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def store(tmp_path, tracking):
    address = sqlite(tmp_path)
    engine = open_store(address)
    fill(engine, range(70, 75), people=("anna", "ben"))
    fill(engine, [80], verdicts=False)
    yield address, engine
    engine.dispose()


def test_the_whole_way_from_verdicts_to_a_model_in_use_and_back(store, tracking):
    address, engine = store
    card = retrained(engine, QUICK, "anna", use=True)

    assert card["words"] >= 5 * 14 and card["people"] == ["anna", "ben"]
    assert set(card["scores"]) == {"new", "in use", "shipped"}
    assert card["against_in_use"]["in_use"] == "shipped" and card["against_in_use"]["sessions"] >= 3
    kappa = next(row for row in card["agreement"] if row["people"] == ["anna", "ben"])
    assert 0.5 < kappa["kappa"] < 1 and kappa["n"] == 5 * 14
    with reading(engine) as db:
        assert version_in_use(db) == card["version"]
        assert takes_by_model(db) == {card["version"]: 6 * 14}  # sessions without a verdict are judged by it too
        first = [entry.take for entry in queue(db, find_session(db, "s80").id)]

    client = MlflowClient()
    (version,) = client.search_model_versions("name = 'take-triage-doubt'")
    tracked = client.get_run(card["run"])
    assert version.run_id == card["run"] and tracked.info.status == "FINISHED"
    assert tracked.data.params["data"] == card["data"]
    assert tracked.data.metrics["new/auroc"] == pytest.approx(card["scores"]["new"]["auroc"])
    kept = {item.path for item in client.list_artifacts(card["run"])}
    assert {"calibration.html", "sessions.html", "card.json", "model.skops"} <= kept
    assert not (tracking / "mlruns").exists()

    result = run("models", "--use", "shipped", "--by", "ben", "--store", address)
    assert result.status == 0 and "shipped is in use" in result.out
    assert f"\n{card['version']} " in result.out, "a version broken over lines cannot be copied for --use"
    with reading(engine) as db:
        assert version_in_use(db) is None and set(takes_by_model(db)) == {load_model().version}
        assert [entry.take for entry in queue(db, find_session(db, "s80").id)] != first
    run("models", "--use", card["version"], "--by", "anna", "--store", address)
    with reading(engine) as db:
        assert [entry.take for entry in queue(db, find_session(db, "s80").id)] == first
    listed = json.loads(run("models", "--format", "json", "--store", address).out)
    assert [change["version"] for change in listed["changes"]] == [card["version"], "shipped", card["version"]]


def test_a_model_that_is_no_better_is_kept_and_not_used(store):
    _, engine = store
    never = QUICK.model_copy(update={"rule": QUICK.rule.model_copy(update={"sessions": 99})})
    card = retrained(engine, never, "anna")
    with reading(engine) as db:
        assert version_in_use(db) is None and [one.version for one in models(db)] == [card["version"]]


def test_the_second_is_compared_with_the_first_as_it_was_without_what_is_held_out(store):
    _, engine = store
    first = retrained(engine, QUICK, "anna", use=True)
    fill(engine, [90])
    second = retrained(engine, QUICK, "anna")
    assert second["against_in_use"]["in_use"] == first["version"]
    assert second["scores"]["in use"] != second["scores"]["shipped"]
    assert second["data"] != first["data"]


def test_a_tracking_server_that_does_not_answer_costs_nothing_but_the_run(store, monkeypatch):
    _, engine = store
    monkeypatch.setenv("MLFLOW_TRACKING_URI", "http://127.0.0.1:9")  # discard: nobody listens there
    card = retrained(engine, QUICK, "anna", use=False)
    assert card["run"] is None and "not tracked" in card["problems"][0]
    with reading(engine) as db:
        assert len(models(db)) == 1


def test_without_a_verdict_there_is_nothing_to_learn(tmp_path, tracking):
    engine = open_store(sqlite(tmp_path, "empty"))
    fill(engine, [3], verdicts=False)
    with pytest.raises(JudgeError, match="no verdict to learn from"):
        retrained(engine, QUICK, "anna")
    engine.dispose()


def test_a_changed_file_a_strange_one_and_another_encoder_are_refused(store):
    address, engine = store
    card = retrained(engine, QUICK, "anna", use=True)
    version = card["version"]
    with writing(engine) as db:
        file = model_file(db, version)
        db.execute(tables.model.update().values(file=file[:-1] + b"x"))
    result = run("models", "--use", version, "--store", address)
    assert result.status == 1 and "was changed since it was made" in result.err and result.err.count("\n") == 1
    with reading(engine) as db, pytest.raises(StoreError, match="there is no model 'nobody'"):
        model_file(db, "nobody")
    with writing(engine) as db:
        db.execute(tables.model.update().values(file=file, encoder="other"))
    from triage.judge.learned_doubt import from_bytes, to_bytes

    model = from_bytes(file, "here")
    other = to_bytes(type(model)(**{**vars(model), "encoder": "another-encoder"}))
    from hashlib import sha256

    with writing(engine) as db:
        db.execute(tables.model.update().values(file=other, sha256=sha256(other).hexdigest()))
    with pytest.raises(JudgeError, match="was trained for encoder another-encoder"), reading(engine) as db:
        session = find_session(db, "s80")
        rank_session(engine, session.id, session.a4_hz)
    with pytest.raises(JudgeError, match="not a model of this tool"):
        from_bytes(b"PK\x03\x04 nonsense", "a stranger's file")
