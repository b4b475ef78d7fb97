import numpy as np
import pytest
from scipy.spatial.distance import mahalanobis
from sklearn.covariance import LedoitWolf
from sklearn.datasets import load_breast_cancer
from sklearn.metrics import roc_auc_score
from sklearn.neighbors import NearestNeighbors
from sklearn.preprocessing import StandardScaler

from triage.domain.errors import JudgeError
from triage.judge.outliers import _density_ratio, _whiten, centre_distance, joint_deviation, local_knn


def embedded(rng, dynamics=3, takes=2, pitches=36, d=32):
    """Embeddings of an invented session: they move with pitch, and scatter more the louder the dynamic."""
    mix, drift, rows = rng.normal(0, 1, (d, 6)), rng.normal(0, 1, (d, 3)), []
    for k in range(dynamics):
        for t in range(takes):
            for p in np.repeat(np.arange(pitches), 2):
                scatter = (1 + k) * mix @ rng.normal(0, 1, 6) + rng.normal(0, 0.3, d)
                rows.append((drift @ [p / 6, np.sin(p / 6), 2 * k] + scatter, 50 + p, f"c{k}", f"t{k}-{t}"))
    return tuple(map(np.array, zip(*rows, strict=True)))


def unlabelled(x):
    n = len(x)
    return np.zeros(n, int), np.full(n, np.nan), np.arange(n)


def slow_density_ratio(x, k):
    """The formula, literally, on scikit-learn's neighbours: one note, one neighbour at a time."""
    distance, nearest = NearestNeighbors(n_neighbors=k).fit(x).kneighbors()
    usual = np.median(distance.mean(axis=1))
    ratio = []
    for row, friends in zip(distance, nearest, strict=True):
        ratio.append(np.mean([d / min(distance[y].mean(), usual) for d, y in zip(row, friends, strict=True)]))
    return np.array(ratio)


def test_density_ratio_agrees_with_a_slow_twin():
    x = np.random.default_rng(0).normal(size=(80, 5))
    found = _density_ratio(x, np.zeros(80), np.arange(80), 6)
    assert found == pytest.approx(slow_density_ratio(x, 6), rel=1e-9)  # other implementation


def test_neighbours_of_the_own_take_do_not_count_where_others_cover():
    rng = np.random.default_rng(1)
    x = np.vstack([rng.normal(size=(20, 4)), rng.normal(size=(20, 4)), 8 + rng.normal(size=(20, 4))])
    take = np.repeat([0, 1, 2], 20)
    ratio = _density_ratio(x, np.zeros(60), take, 3)
    assert ratio[take == 2].min() > 3 * np.median(ratio[take < 2])


def test_novelty_mark_of_the_open_data_holds_without_a_clean_training_set():
    # breast_cancer, standardised: mean distance to 5 neighbours, trained on 250 benign, AUC 0.907 (run with
    # scikit-learn); here 40 malignant lie unmarked among the 357 benign, which is harder.
    x, benign = load_breast_cancer(return_X_y=True)
    scaled = StandardScaler().fit_transform(x)
    train = NearestNeighbors(n_neighbors=5).fit(scaled[benign == 1][:250])
    query = np.vstack([scaled[benign == 1][250:], scaled[benign == 0]])
    mark = roc_auc_score(np.arange(len(query)) >= 107, train.kneighbors(query)[0].mean(axis=1))
    assert mark == pytest.approx(0.907, abs=5e-4)
    mixed = np.vstack([x[benign == 1], x[benign == 0][:40]])
    assert roc_auc_score(np.arange(len(mixed)) >= 357, local_knn(mixed, *unlabelled(mixed), 5)) > 0.88


def test_planted_outliers_come_first_although_cohorts_and_pitches_differ():
    rng = np.random.default_rng(2)
    x, pitch, cohort, take = embedded(rng)
    bad = rng.random(len(x)) < 0.1
    x[bad] += rng.normal(0, 1.5, (bad.sum(), x.shape[1]))
    raw = np.zeros(len(x))
    for c in np.unique(cohort):
        members = cohort == c
        raw[members] = NearestNeighbors(n_neighbors=4).fit(x[members]).kneighbors()[0].mean(axis=1)
    score = local_knn(x, cohort, pitch, take, 4)
    assert roc_auc_score(bad, score) > 0.98
    assert roc_auc_score(bad, score) > roc_auc_score(bad, raw) + 0.1  # baseline: plain distance in the cohort


def test_scores_of_good_notes_are_comparable_between_cohorts():
    x, pitch, cohort, take = embedded(np.random.default_rng(3))
    score = local_knn(x, cohort, pitch, take, 4)
    for c in np.unique(cohort):
        assert np.median(score[cohort == c]) == pytest.approx(0, abs=0.2)
        assert np.std(score[cohort == c]) == pytest.approx(1, abs=0.25)


def test_order_origin_and_unit_do_not_matter():
    x, pitch, cohort, take = embedded(np.random.default_rng(4), pitches=12)
    order = np.random.default_rng(5).permutation(len(x))
    score = local_knn(x, cohort, pitch, take, 4)
    mixed = local_knn(7 - 3 * x[order], cohort[order], pitch[order], take[order], 4)
    assert mixed == pytest.approx(score[order], abs=1e-6)


@pytest.mark.parametrize("n", [0, 1, 2, 3, 5])
def test_small_cohorts_are_scored_from_two_notes_on(n):
    score = local_knn(np.random.default_rng(6).normal(size=(n, 6)), np.zeros(n), np.full(n, 60.0), np.zeros(n), 4)
    assert np.isfinite(score).all() if n != 1 else np.isnan(score).all()


def test_equal_notes_score_nothing_and_unknown_ones_stay_unknown():
    x = np.ones((6, 3))
    x[5] = np.nan
    score = local_knn(x, np.zeros(6), np.full(6, 60.0), np.zeros(6), 4)
    assert score[:5].tolist() == [0.0] * 5 and np.isnan(score[5])


def test_whitened_residuals_have_nearly_the_unit_as_covariance():
    rng = np.random.default_rng(7)
    x = rng.normal(size=(4000, 5)) @ rng.normal(size=(5, 5))
    assert np.cov(_whiten(x).T) == pytest.approx(np.eye(5), abs=0.15)  # winsorised at 3 sigma: a little above 1


def test_joint_deviation_ranks_as_the_mahalanobis_distance():
    z = np.random.default_rng(8).normal(size=(200, 4))
    precision = LedoitWolf(assume_centered=True).fit(np.clip(z, -3, 3)).precision_
    twin = [mahalanobis(row, np.zeros(4), precision) for row in z]  # other implementation
    assert np.array_equal(np.argsort(joint_deviation(z)), np.argsort(twin))


def test_joint_deviation_of_good_notes_is_standard_normal_however_many_measurements_they_have():
    z = np.random.default_rng(9).normal(size=(5000, 12))
    z[::2, 4:] = np.nan
    for part in (joint_deviation(z)[::2], joint_deviation(z)[1::2]):
        assert part.mean() == pytest.approx(0, abs=0.15) and part.std() == pytest.approx(1, abs=0.15)


def test_measurements_that_move_together_count_once():
    rng = np.random.default_rng(10)
    common = rng.normal(size=500)
    z = np.column_stack([common + 0.05 * rng.normal(size=500) for _ in range(6)] + [rng.normal(size=500)])
    z[0], z[1] = [2.5] * 6 + [0], [2.5, -2.5, 2.5, -2.5, 2.5, -2.5, 0]
    score = joint_deviation(z)
    assert score[0] < 1.5 < score[1]


def test_joint_deviation_of_nothing_is_unknown():
    assert np.isnan(joint_deviation(np.full((3, 2), np.nan))).all()
    assert joint_deviation(np.zeros((0, 2))).shape == (0,)


def test_the_distance_from_the_centre_finds_what_lies_apart_in_any_direction_and_in_a_clump():
    rng = np.random.default_rng(12)
    x, pitch, cohort, take = embedded(rng)
    bad = rng.random(len(x)) < 0.05
    x[bad] = x[bad] + 9.0 * rng.choice([-1, 1], (bad.sum(), x.shape[1]))
    score = centre_distance(x, cohort, pitch, take)
    assert roc_auc_score(bad, score) > 0.98
    for c in np.unique(cohort):
        assert np.median(score[(cohort == c) & ~bad]) == pytest.approx(0, abs=0.25)
    assert np.isnan(centre_distance(x[:1], cohort[:1], pitch[:1], take[:1])).all()


def test_wrong_tables_are_refused():
    with pytest.raises(JudgeError, match=r"one label a note, found \(3, 2\)"):
        local_knn(np.zeros((3, 2)), np.zeros(2), np.zeros(3), np.zeros(3), 1)
    with pytest.raises(JudgeError, match=r"one label a note, found \(3, 2\)"):
        centre_distance(np.zeros((3, 2)), np.zeros(3), np.zeros(3), np.zeros(2))
    with pytest.raises(JudgeError, match="k is 0"):
        local_knn(np.zeros((3, 2)), np.zeros(3), np.zeros(3), np.zeros(3), 0)
