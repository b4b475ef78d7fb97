"""Tastes learnt from verdicts: by the fit alone, and from a store, where one takes part at once and can be locked."""

import json
from dataclasses import replace

import numpy as np
import pytest
from sqlalchemy import select

from tests.commands import run, sqlite
from tests.training.synthetic_sessions import made_session
from tests.training.test_retrain import QUICK, fill, tracking  # noqa: F401  (a fixture)
from training.taste_fit import HouseDoubts, TasteConfig, _Loss, _names, _rows, _shapes, fit_taste
from training.taste_retraining import learn_taste, learn_whole_model
from training.tolerant_producer import EDGE_JND, KINDS, ProducersConfig, TrueSizes, draw_producer, true_sizes
from training.verdict_examples import ANY, Label, examples_of_session
from training.version_calibration import VersionCalibrationConfig as _Versions
from triage.config import read_toml, shipped
from triage.ranking.model_in_use import base_in_use, model_in_use
from triage.ranking.session import rank_session
from triage.ranking.session_features import session_features
from triage.ranking.shown_tolerances import tastes_of_people
from triage.ranking.taste_changes import LEAST, changes, with_taste
from triage.ranking.tastes import taste_in_use
from triage.store import tables
from triage.store.engine import open_store, reading
from triage.store.models import models, verdicts_that_stand, version_in_use

CONFIG = read_toml(shipped("configs/taste.toml"), TasteConfig)


def examples_of(seed):
    return examples_of_session(f"s{seed}", session_features(made_session(seed)[0], {}, {}), [])


KINDS_OF_DOUBT = ("intonation", "length", "noise")


def house_doubts(seed, verdicts):
    """A session in which one note in eight is doubted for its length, one for a noise; a verdict on each of them."""
    examples, rng = examples_of(seed), np.random.default_rng(seed)
    table, each = examples.table, np.full((len(examples.table), 3), 0.01)
    labels, rows = [], []
    for row in rng.permutation(len(table))[: len(table) // 4].tolist():
        kind = ("length", "noise")[row % 2]
        each[row, KINDS_OF_DOUBT.index(kind)] = 0.7
        if verdicts:
            rejected = float(kind == "noise")
            labels.append(
                Label(str(table.take[row]), int(table.number[row]), rejected, kind if rejected else "any", 1)
            )
            rows.append(np.array([row]))
    return HouseDoubts(replace(examples, labels=tuple(labels), rows=tuple(rows)), KINDS_OF_DOUBT, each)


def test_who_accepts_every_doubtful_length_is_given_a_wide_tolerance_of_length_alone():
    fitted = fit_taste([house_doubts(seed, True) for seed in range(3)], CONFIG)
    assert fitted.taste.kind["length"] > 0.5 > 0.2 > fitted.taste.kind["noise"]
    assert 0 < fitted.sure["length"] < 2 * CONFIG.kind


def test_a_locked_tolerance_is_not_moved_and_without_verdicts_the_taste_is_the_house_s():
    sessions = [house_doubts(seed, True) for seed in range(3)]
    fitted = fit_taste(sessions, CONFIG, {"length": -0.5})
    assert fitted.taste.locked == {"length": -0.5} and "length" not in fitted.taste.kind
    nothing = fit_taste([house_doubts(0, False)], CONFIG)
    assert nothing.taste.kind == {} and nothing.sure == {}


def test_the_slope_of_the_posterior_is_that_of_its_values():
    sessions = [house_doubts(seed, True) for seed in range(2)]
    names = _names(sessions)
    shapes = _shapes(names)
    loss = _Loss(_rows(sessions, names), names.kinds, CONFIG, np.array([np.nan, np.nan, 0.2]), shapes)
    point = np.random.default_rng(0).normal(0, 0.3, sum(int(np.prod(shape)) for shape in shapes.values()))
    numeric = [(loss(point + step)[0] - loss(point - step)[0]) / 2e-5 for step in 1e-5 * np.eye(len(point))]
    assert loss(point)[1] == pytest.approx(numeric, abs=1e-4)


def test_of_many_verdicts_the_minimum_is_that_of_all_of_them(monkeypatch):
    sessions = [house_doubts(seed, True) for seed in range(3)]
    whole = fit_taste(sessions, CONFIG)
    monkeypatch.setattr("training.taste_fit.ENOUGH", 20)
    found = fit_taste(sessions, CONFIG)
    assert found.taste.kind == pytest.approx(whole.taste.kind, abs=0.01)


def test_noise_goes_back_in_the_queue_of_who_minds_none():
    sessions = [house_doubts(seed, True) for seed in range(3)]
    every = [replace(one.examples, labels=(), rows=()) for one in sessions]
    labels = [
        replace(one, examples=replace(own, labels=tuple(Label(str(t), None, 0.0, ANY, 1) for t in names), rows=rows))
        for one, own in zip(sessions, every, strict=True)
        for names, rows in [_takes_with_noise(one)]
    ]
    taste = fit_taste(labels, CONFIG).taste
    assert taste.kind["noise"] > 0.8 > 0.4 > taste.kind["intonation"]


def _takes_with_noise(one):
    table, column = one.examples.table, KINDS_OF_DOUBT.index("noise")
    names = np.unique(table.take[one.each[:, column] > 0.5])[:7]
    return names, tuple(np.flatnonzero(table.take == name) for name in names)


def test_true_sizes_are_the_builder_s_with_natural_deviations_added():
    config = read_toml(shipped("configs/version_calibration.toml"), _Versions).versions
    table = examples_of(0).table
    take = str(table.take[0])
    mine = table.take == take
    count = int(mine.sum())
    own = {
        "technical": None,
        "notes": table.start_s[mine].tolist(),
        "deviations": [{"cents": 0.0, "level_db": 0.0, "length": 0.0} for _ in range(count)],
        "faults": [{"name": "off-pitch", "kind": "intonation", "note": 2, "size": -20.0, "rejected": True}],
    }
    own["deviations"][1]["cents"] = -5.0
    whole = {str(name): own | {"technical": "dropout"} for name in np.unique(table.take)} | {take: own}
    true = true_sizes(table, whole, config)
    edge = config.sizes["off-pitch"].rejected_from
    assert true.size[np.flatnonzero(mine)[1], KINDS.index("intonation")] == pytest.approx(-1 - EDGE_JND * 20 / edge)
    assert true.usable.tolist() == mine.tolist()


def test_a_producer_with_wide_tolerances_rejects_nothing_and_one_with_none_everything():
    config = ProducersConfig(
        kind=0.0,
        articulation=0.0,
        instrument=0.0,
        direction=0.0,
        softness=0.1,
        slips=0.0,
        hurried_every=10,
        hurried_s=1.0,
    )
    table = examples_of(0).table
    true = TrueSizes(np.full((len(table), len(KINDS)), 4.0), np.full(len(table), np.nan), np.ones(len(table), bool))
    for tolerance, rejected in ((2.0, 0.0), (-2.0, 1.0)):
        producer = draw_producer(config, 0, (), (), 1)
        producer.kind.update(dict.fromkeys(KINDS, tolerance))
        assert producer.rejects(table, true, np.random.default_rng(0))[0].mean() == rejected


@pytest.fixture
def store(tmp_path, tracking):  # noqa: F811
    engine = open_store(sqlite(tmp_path), create=True)
    fill(engine, range(5))
    for session_id in range(1, 6):
        rank_session(engine, session_id, 440.0)
    yield engine
    engine.dispose()


def judged_by(engine):
    with reading(engine) as db:
        return {row.model for row in db.execute(select(tables.take.c.model))}


def test_with_fifty_verdicts_a_taste_takes_part_at_once_and_says_what_it_learnt(store):
    card = learn_taste(store, "anna")
    assert card["words"] >= 50 and card["put_to_use"]
    assert judged_by(store) == {card["version"]}
    assert set(card["tastes"]) == {"anna"}
    with reading(store) as db:
        assert card["words"] == verdicts_that_stand(db, "anna")[0]


def test_with_few_verdicts_a_taste_is_kept_and_not_used(tmp_path, tracking):  # noqa: F811
    engine = open_store(sqlite(tmp_path), create=True)
    fill(engine, range(1))
    rank_session(engine, 1, 440.0)
    card = learn_taste(engine, "anna")
    with reading(engine) as db:
        assert not card["put_to_use"] and version_in_use(db) is None
    engine.dispose()


def test_a_tolerance_set_by_hand_judges_at_once_stays_after_retraining_and_can_be_given_back(store, tmp_path):
    url = sqlite(tmp_path)
    status, out, err = run("taste", "--set", "length=80", "--by", "anna", "--format", "json", "--store", url)
    with reading(store) as db:
        assert models(db)[0].card["sentences"] == []  # a lock needs no telling, and nothing was learnt yet
    length = next(one for one in json.loads(out)["tolerances"] if one["kind"] == "length")
    assert status == 0 and length["from"] == "set by hand" and length["text"].startswith("80%"), err
    card = learn_taste(store, "anna")
    with reading(store) as db:
        assert taste_in_use(db).locked == {"length": pytest.approx(np.log(2))}
    assert judged_by(store) == {card["version"]}
    assert run("taste", "--unlock", "length", "--by", "anna", "--store", url)[0] == 0
    with reading(store) as db:
        assert taste_in_use(db).locked == {}
    assert run("taste", "--set", "colour=3", "--store", url)[2].startswith("error: no tolerance of 'colour'")


def test_a_whole_model_put_to_use_keeps_the_tolerances_on_top_and_its_runs_beside_the_store(
    store, tmp_path, monkeypatch
):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    monkeypatch.delenv("MLFLOW_TRACKING_URI")
    run("taste", "--set", "length=80", "--by", "anna", "--store", sqlite(tmp_path))
    card, report = learn_whole_model(store, QUICK, "anna", use=True)
    with reading(store) as db:
        assert version_in_use(db) == card["taste"]["version"]
        assert base_in_use(db) == card["version"] and taste_in_use(db).locked == {"length": pytest.approx(np.log(2))}
    assert judged_by(store) == {card["taste"]["version"]} and "stay on top" in report
    assert list(elsewhere.iterdir()) == [] and {"mlflow.db", "files"} == {
        one.name for one in (tmp_path / "store-runs").iterdir()
    }


def test_a_person_s_own_tolerances_are_used_with_what_was_set_by_hand_and_changes_are_told_before(store, tmp_path):
    url = sqlite(tmp_path)
    run("taste", "--set", "length=80", "--by", "anna", "--store", url)
    learn_taste(store, "anna", use=False)
    with reading(store) as db:
        own, now = tastes_of_people(models(db))["anna"], model_in_use(db)
        told = changes(db, now, with_taste(db, own["taste"]))
    assert told.sessions and told.takes and len(told.sessions) <= 3
    before = doubts_of(store)
    status, _, err = run("taste", "--of", "anna", "--by", "ben", "--store", url)
    assert status == 0 and "the tolerances of anna" in err
    with reading(store) as db:
        assert taste_in_use(db).locked == {"length": pytest.approx(np.log(2))}
        assert taste_in_use(db).kind == own["taste"].kind
    after = doubts_of(store)
    for one in (*told.rises, *told.falls):
        assert before[one.take_id] == pytest.approx(one.doubt) and after[one.take_id] == pytest.approx(
            one.later_doubt
        )
    assert all(one.later_doubt > one.doubt for one in told.rises)
    moved = sum(abs(after[take] - before[take]) >= LEAST for take in takes_of(store, told.sessions))
    assert moved == told.moved > 0
    assert run("taste", "--of", "nobody", "--store", url)[2].startswith("error: no tolerances of 'nobody'")


def doubts_of(engine):
    with reading(engine) as db:
        return {row.id: row.doubt for row in db.execute(select(tables.take.c.id, tables.take.c.doubt))}


def takes_of(engine, names):
    session, take = tables.session, tables.take
    with reading(engine) as db:
        query = select(take.c.id).join(session, session.c.id == take.c.session_id).where(session.c.name.in_(names))
        return db.scalars(query).all()


def test_a_new_library_starts_from_the_house_s_tolerances(store, tmp_path):
    url, other = sqlite(tmp_path), sqlite(tmp_path / "new")
    run("taste", "--set", "noise=2", "--by", "anna", "--store", url)
    (tmp_path / "house.json").write_text(run("taste", "--format", "json", "--store", url)[1])
    (tmp_path / "new").mkdir()
    open_store(other, create=True).dispose()
    assert run("taste", "--from", str(tmp_path / "house.json"), "--by", "bo", "--store", other)[0] == 0
    assert run("taste", "--format", "csv", "--store", other)[1] == run("taste", "--format", "csv", "--store", url)[1]
    (tmp_path / "house.json").write_text("[]")
    status, _, err = run("taste", "--from", str(tmp_path / "house.json"), "--store", other)
    assert status == 1 and "house.json: no tolerances" in err
