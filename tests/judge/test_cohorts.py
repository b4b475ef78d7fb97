import numpy as np
import pytest

from triage.domain.errors import JudgeError
from triage.judge.cohorts import expect


def played(rng, pitches=36, dynamics=3, takes=1, repetitions=3, cell=6.0, noise=3.0, step=1):
    """Cents of an invented session: a smooth trend, offsets of pitches and cells, scatter of the repetitions."""
    shared = rng.normal(0, 0.7 * cell, pitches)
    rows = []
    for d in range(dynamics):
        own = shared + rng.normal(0, 0.7 * cell, pitches)
        for t in range(takes):
            for p in np.repeat(np.arange(pitches), repetitions):
                value = 10 * np.sin(p / 8) + 0.3 * p + own[p] + rng.normal(0, noise)
                rows.append((value, 50 + step * p, f"c{d}", "w", f"t{d}-{t}"))
    values, pitch, cohort, wider, take = map(np.array, zip(*rows, strict=True))
    return values, pitch, cohort, wider, take


def of_one_cohort(values, pitch, take=None, floor=0.5):
    n = len(values)
    label = np.full(n, "a")
    take = label if take is None else np.asarray(take)
    return expect(np.array(values, dtype=float), np.array(pitch, dtype=float), label, label, take, floor)


@pytest.mark.parametrize(
    "shape", [{}, {"repetitions": 1}, {"takes": 4, "repetitions": 1}, {"repetitions": 1, "pitches": 12, "step": 3}]
)
def test_z_of_good_notes_is_about_standard_normal(shape):
    found = [expect(*played(np.random.default_rng(seed), **shape), 0.5).z for seed in range(8)]
    z = np.concatenate(found)
    assert 0.8 < np.sqrt(np.mean(z**2)) < 1.25
    assert np.mean(np.abs(z) > 3.5) < 0.015


def test_a_pitch_that_is_sharp_at_every_repetition_is_expected_there():
    rng = np.random.default_rng(0)
    repeated = expect(*played(rng, repetitions=4), 0.5)
    once = expect(*played(rng, repetitions=1), 0.5)
    assert np.median(repeated.scale) < 4.0  # scatter of the repetitions is 3 ...
    assert np.median(once.scale) > 5.0  # ... that about the trend 6.7, less what other dynamics tell


def test_a_note_alone_in_its_cohort_has_no_expectation():
    found = expect(*(np.array(x) for x in ([1.0, 5, 5], [60, 60, 60], ["a", "b", "b"], ["w"] * 3, ["t"] * 3)), 1.0)
    assert np.isnan([found.expected[0], found.scale[0], found.z[0]]).all() and found.n[0] == 0
    assert found.expected[1:].tolist() == [5.0, 5.0] and found.z[1:].tolist() == [0.0, 0.0]


def test_two_notes_are_each_expected_where_the_other_is():
    assert of_one_cohort([1, 41], [60, 61]).expected == pytest.approx([41, 1])
    assert of_one_cohort([1, 41], [60, 60]).expected == pytest.approx([41, 1])


@pytest.mark.parametrize("values", [[], [np.nan], [np.nan, np.nan, np.nan]])
def test_nothing_known_gives_nothing(values):
    found = of_one_cohort(values, [60] * len(values))
    assert np.isnan(found.z).all() and len(found.z) == len(values)


def test_missing_values_disturb_nobody():
    values, *labels = played(np.random.default_rng(1), takes=2)
    gone = np.random.default_rng(2).random(len(values)) < 0.3
    holed = expect(np.where(gone, np.nan, values), *labels, 0.5)
    without = expect(values[~gone], *(label[~gone] for label in labels), 0.5)
    assert np.array_equal(holed.z[~gone], without.z) and np.isnan(holed.z[gone]).all()


def test_result_does_not_depend_on_the_order_of_the_notes():
    table = played(np.random.default_rng(3), takes=3)
    order = np.random.default_rng(4).permutation(len(table[0]))
    straight, mixed = expect(*table, 0.5), expect(*(column[order] for column in table), 0.5)
    assert np.array_equal(mixed.z, straight.z[order]) and np.array_equal(mixed.n, straight.n[order])


def test_unit_and_origin_do_not_matter():
    values, *labels = played(np.random.default_rng(5), takes=2)
    plain, other = expect(values, *labels, 0.5), expect(100 - 7 * values, *labels, 3.5)
    assert other.z == pytest.approx(-plain.z, abs=1e-9)
    assert other.scale == pytest.approx(7 * plain.scale)


def test_equal_notes_have_a_z_of_exactly_nothing():
    found = of_one_cohort([0.1] * 24, np.repeat(np.arange(60, 68), 3), ["a", "b", "c"] * 8)
    assert (found.z == 0).all() and (found.scale == 0.5).all()


def test_takes_that_repeat_each_other_have_next_to_no_z():
    profile = 5 * np.sin(1.7 * np.arange(30))
    found = of_one_cohort(np.tile(profile, 3), np.tile(np.arange(50, 80), 3), np.repeat(["a", "b", "c"], 30))
    assert np.abs(found.z).max() < 0.01


def test_how_bad_a_note_is_does_not_move_anybodys_expectation():
    table = played(np.random.default_rng(6), dynamics=1)
    bad, worse = table[0].copy(), table[0].copy()
    bad[40], worse[40] = bad[40] + 60, worse[40] + 60_000
    assert expect(worse, *table[1:], 0.5).expected == pytest.approx(expect(bad, *table[1:], 0.5).expected, abs=1e-3)


def test_one_bad_note_barely_changes_the_others():
    table = played(np.random.default_rng(7), dynamics=1, repetitions=4)
    before, bad = expect(*table, 0.5), table[0].copy()
    bad[60] += 40
    after = expect(bad, *table[1:], 0.5)
    others, cell = np.arange(len(bad)) != 60, table[1] == table[1][60]
    assert after.z[60] > 8
    assert np.abs(after.z - before.z)[others & ~cell].max() < 0.1
    assert np.abs(after.z - before.z)[others].max() < 1.0


@pytest.mark.parametrize("share, usual, most", [(0.2, 0.15, 2.0), (0.3, 0.3, 2.5)])
def test_many_bad_notes_neither_mask_one_another_nor_bias_their_neighbours(share, usual, most):
    rng = np.random.default_rng(8)
    table = played(rng, dynamics=1, repetitions=4, cell=2.0, noise=2.0)
    bad = rng.random(len(table[0])) < share
    before, after = expect(*table, 0.5), expect(table[0] + 40 * bad, *table[1:], 0.5)
    change = np.abs(after.z - before.z)[~bad]
    assert np.median(change) < usual and change.max() < most
    assert after.z[bad].min() > 5


def test_two_equal_faults_in_a_cell_of_four_do_not_mask_each_other():
    table = played(np.random.default_rng(9), dynamics=1, repetitions=4, cell=2.0, noise=2.0)
    cell, bad = np.flatnonzero(table[1] == 60), table[0].copy()
    bad[cell[2:]] += 30
    z = expect(bad, *table[1:], 0.5).z[cell]
    assert z[2:].min() > 5 and np.abs(z[:2]).max() < 3


def test_a_bad_cell_is_seen_whole_and_leaves_its_neighbours_alone():
    table = played(np.random.default_rng(10), dynamics=1, repetitions=4, cell=2.0, noise=2.0)
    cell = table[1] == 60
    before, after = expect(*table, 0.5), expect(table[0] + 60 * cell, *table[1:], 0.5)
    assert after.z[cell].min() > 8
    assert np.abs(after.expected - before.expected)[~cell].max() < 0.5  # of 60, at a scatter of 2
    assert np.abs(after.z - before.z)[~cell].max() < 0.3


@pytest.mark.parametrize("takes, dynamics, least", [(2, 6, 4.0), (3, 1, 5.0), (5, 1, 5.0), (5, 6, 7.0)])
def test_a_take_that_is_flat_throughout_is_seen(takes, dynamics, least):
    table = played(np.random.default_rng(11), takes=takes, dynamics=dynamics, repetitions=2)
    flat = table[4] == "t0-0"
    z = expect(table[0] - 30 * flat, *table[1:], 0.5).z
    assert np.median(z[flat]) < -least
    if takes > 2:  # of two takes nobody can tell which one is off
        assert np.abs(np.median(z[~flat & (table[2] == "c0")])) < 0.5


def test_takes_that_share_the_range_out_are_judged_by_their_own_notes():
    rng = np.random.default_rng(12)
    pitch = np.repeat(np.arange(50, 74), 3)
    z = of_one_cohort(rng.normal(0, 3, 72) + pitch, pitch, np.where(pitch < 62, "low", "high")).z
    assert np.sqrt(np.mean(z**2)) < 1.3 and np.abs(z).max() < 4


def test_a_small_cohort_is_shrunk_toward_the_scatter_of_the_wider_one():
    values, pitch, cohort, wider, take = played(np.random.default_rng(13), noise=3.0, cell=0.0)
    kept = (cohort != "c0") | ((pitch == 60) | (pitch == 61))  # six notes of the first dynamic
    values = np.where(cohort == "c0", np.round(values / 30), values)  # that happen to agree
    found = expect(values[kept], pitch[kept], cohort[kept], wider[kept], take[kept], 0.01)
    few = cohort[kept] == "c0"
    assert 0.3 < found.scale[few].mean() / found.scale[~few].mean() < 0.9


def test_notes_of_unknown_pitch_are_judged_among_themselves():
    found = of_one_cohort([0, 1, 2, 1, 0, 50, 500, 501], [np.nan] * 6 + [60, 61])
    assert found.z[5] > 20 and np.abs(found.z[:5]).max() < 3
    assert found.expected[6:] == pytest.approx([501, 500])


def test_what_cannot_be_judged_is_refused():
    with pytest.raises(JudgeError, match=r"one length, found \[2, 1"):
        expect(np.zeros(2), np.zeros(1), np.zeros(2), np.zeros(2), np.zeros(2), 1.0)
    with pytest.raises(JudgeError, match="infinite"):
        of_one_cohort([np.inf, 1.0], [60, 61])
    with pytest.raises(JudgeError, match="floor is 0"):
        of_one_cohort([1.0], [60], floor=0.0)


def test_a_noise_cut_as_a_second_note_of_a_cell_does_not_widen_the_scale_for_everybody():
    rng = np.random.default_rng(4)
    pitch = np.arange(40.0, 76.0)
    values = rng.normal(0.0, 1.0, len(pitch))
    values[20] = 7.0
    labels = np.array(["c"] * len(pitch)), np.array(["w"] * len(pitch)), np.array([f"T{i // 4}" for i in range(36)])
    alone = expect(values, pitch, *labels, 0.5)

    with_noise = expect(
        np.append(values, -30.0), np.append(pitch, pitch[5]), *(np.append(one, one[5]) for one in labels), 0.5
    )

    assert alone.z[20] > 4.5
    assert with_noise.z[20] > 0.8 * alone.z[20]  # what is left is how far one take more seems to lie apart
    assert with_noise.z[36] < -8  # and the noise itself stands out


def test_one_pair_that_differs_leaves_the_scale_that_the_trend_shows():
    rng = np.random.default_rng(5)
    pitch = np.append(np.arange(40.0, 76.0), 50.0)
    values = rng.normal(0.0, 1.0, len(pitch))
    values[36] = values[10] + 3.0
    labels = [np.array(["same"] * 37), np.array(["same"] * 37), np.array([f"T{i}" for i in range(37)])]

    found = expect(values, pitch, *labels, 0.1)

    assert np.median(found.scale) < 1.35


@pytest.mark.parametrize("error", [np.nan, 0.0, 2.5])
def test_errors_that_are_alike_or_unknown_change_nothing(error):
    table = played(np.random.default_rng(11), takes=2)
    without, found = expect(*table, 0.5), expect(*table, 0.5, np.full(len(table[0]), error))
    assert all(
        np.array_equal(getattr(found, name), getattr(without, name)) for name in ("expected", "scale", "z", "n")
    )


def test_notes_measured_less_closely_bring_fewer_false_deviations_and_hide_no_true_ones():
    """A sixth of the notes with three times the error; thirty of the others 30 cents off."""
    false, true = np.zeros(2), np.zeros(2)
    for seed in range(10):
        rng = np.random.default_rng(seed)
        values, *labels = played(rng, noise=1.0, cell=2.0)
        error = np.where(rng.random(len(values)) < 1 / 6, 9.0, 3.0)
        values = values + rng.normal(0, error)
        off = rng.choice(np.flatnonzero(error < 5), 30, replace=False)
        values[off] += 30
        for i, given in enumerate((None, error)):
            far = np.abs(expect(values, *labels, 0.5, given).z) > 3.5
            true[i] += far[off].sum()
            false[i] += far.sum() - far[off].sum()
    assert false[1] < 0.5 * false[0]
    assert true[1] >= true[0] > 270


def test_a_note_measured_less_closely_is_judged_by_a_wider_scale_and_moves_its_neighbours_less():
    values, error = [10.0, 11, 9, 10, 11, 9, 10, 12.5], np.array([1.0] * 7 + [6])
    label = np.full(8, "a")
    rest = (np.array(values), np.full(8, 60.0), label, label, label, 0.5)
    plain, known = expect(*rest), expect(*rest, error)
    assert known.z[7] < 0.5 * plain.z[7]
    assert abs(known.expected[0] - 10) <= abs(plain.expected[0] - 10) and known.scale[0] < 1.1 * plain.scale[0]


def test_errors_of_another_length_are_refused():
    with pytest.raises(JudgeError, match="one length"):
        expect(*played(np.random.default_rng(0)), 0.5, np.ones(3))
