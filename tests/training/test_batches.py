import numpy as np
import pytest
import torch

from tests.training.learning import small_config
from training.batches import VIEWS, EncoderRenderer
from training.gpu_rendering import DeviceLogMel, add_segments, coloured_noise, diffuse_tails, joined_clips, warped
from training.layout import plan
from training.network_training import noise_clips, split_parts
from training.plans import NoiseClip
from training.pool import KINDS, RATE_HZ, build_pool
from triage.listen.encoder import ACTIVATION_KINDS, NOISES, PLAYED, STEP_S, step_times
from triage.listen.logmel import LogMel
from triage.listen.notes import find_notes


@pytest.fixture(scope="module")
def config():
    return small_config()


@pytest.fixture(scope="module")
def pool(config, stand_ins):
    return build_pool(config.pool, stand_ins, None, seed=1)


def renderer_of(pool, config, stand_ins, **changes) -> EncoderRenderer:
    clips = noise_clips(config, stand_ins, (0, 1, 2, 3), 1, NOISES)
    recipe = config.stage.model_copy(update=changes)
    return EncoderRenderer(pool, torch.from_numpy(pool.samples), clips, recipe, seed=1)


def plan_for(pool, renderer, seed=5):
    return plan(pool, split_parts(pool, ())[0], renderer.recipe, np.random.default_rng(seed))


def test_the_device_computes_the_frames_that_the_tool_computes():
    # another implementation: triage.listen.logmel, block by block
    wave = 0.1 * torch.randn(2, RATE_HZ, generator=torch.Generator().manual_seed(1))
    frames = DeviceLogMel(RATE_HZ, torch.device("cpu"))(wave).numpy()
    assert np.abs(frames - LogMel(RATE_HZ)(wave.numpy())).max() < 1e-3


def test_an_episode_is_a_cohort(pool, config, stand_ins):
    renderer = renderer_of(pool, config, stand_ins)
    takes = plan_for(pool, renderer)
    episode = takes.row // renderer.recipe.takes
    for one in range(renderer.recipe.episodes):
        mine = takes.note[episode == one]
        assert len(set(pool.part[mine])) == 1
        assert np.ptp(pool.pitch[mine]) <= 2 * renderer.recipe.near
    for row in set(takes.row):
        mine = takes.row == row
        assert list(takes.place[mine]) == list(range(mine.sum()))
        note, at = takes.note[mine], takes.at[mine]
        free = pool.crowd_s[note][:-1] == 0  # the next note comes when this one has died away
        assert (np.diff(at)[free] > pool.ring[note][:-1][free]).all()


def test_rows_are_views_of_the_same_takes_in_other_rooms(pool, config, stand_ins):
    renderer = renderer_of(pool, config, stand_ins)
    batch = renderer.render(plan_for(pool, renderer), 3)
    half = len(batch.frames) // VIEWS
    assert torch.equal(batch.note[:half], batch.note[half:])
    assert not torch.allclose(batch.frames[:half], batch.frames[half:], atol=1.0)
    again = renderer.render(plan_for(pool, renderer), 3)
    assert torch.equal(batch.frames, again.frames)


def test_note_times_are_those_that_the_tool_would_find(pool, config, stand_ins):
    renderer = renderer_of(pool, config, stand_ins, noises=0.01, warp=0.0, floor_db=(-80.0, -60.0), episodes=4)
    batch = renderer.render(plan_for(pool, renderer), 4)
    start, end, ring = [], [], []
    for frames, times, mask in zip(batch.frames, batch.times, batch.mask, strict=True):
        found, _ = find_notes(frames.numpy(), lambda a, b: np.zeros(0), RATE_HZ)  # by frames alone, to 20 ms
        for note in times[mask].numpy():
            near = min(found, key=lambda one: abs(one.start_s - note[0]))
            if abs(near.start_s - note[0]) < 0.1:
                start.append(near.start_s - note[0])
                end.append(near.end_s - note[1])
                ring.append(near.ring_end_s - note[2])
    assert len(start) > 0.8 * batch.mask.sum()
    assert np.median(np.abs(start)) < 0.03 and np.median(np.abs(end)) < 0.02 and np.median(np.abs(ring)) < 0.05


def test_a_noise_is_a_target_where_it_makes_the_frames_rise_and_spoils_that_note(pool, config, stand_ins):
    tick = np.zeros(RATE_HZ // 4)
    tick[: RATE_HZ // 50] = np.random.default_rng(0).standard_normal(RATE_HZ // 50)
    recipe = config.stage.model_copy(update={"noises": 3.0, "noise_db": (0.0, 1.0), "spoilt": (0.0, 0.0)})
    renderer = EncoderRenderer(
        pool, torch.from_numpy(pool.samples), [NoiseClip("knock", tick, "own")], recipe, seed=1
    )
    batch = renderer.render(plan_for(pool, renderer), 6)
    assert batch.activations[:, ACTIVATION_KINDS.index("noise")].sum() > 0
    assert batch.activations[:, ACTIVATION_KINDS.index("knock")].sum() > 0
    others = [ACTIVATION_KINDS.index(name) for name in (*NOISES[1:], *PLAYED)]
    assert batch.activations[:, others].sum() == 0
    assert set(batch.kind[batch.mask].tolist()) == {0, KINDS.index("noise")}
    time_s = torch.from_numpy(step_times(batch.activations.shape[2]))
    for row, place in torch.nonzero(batch.kind == KINDS.index("noise")).tolist():
        start, end, ring = batch.times[row, place].tolist()
        near = (time_s > start - STEP_S) & (time_s < min(ring, end + 1.5) + STEP_S)
        assert batch.activations[row, 0, near].any()


def test_a_planted_fault_is_a_target_where_it_lies(pool, config, stand_ins):
    renderer = renderer_of(pool, config, stand_ins, noises=0.01, spoilt=(1.0, 1.0))
    takes = plan_for(pool, renderer)
    batch = renderer.render(takes, 7)
    time_s = step_times(batch.activations.shape[2])
    seen = 0
    for row, place in torch.nonzero(batch.mask).tolist():
        note = int(batch.note[row, place])
        kind = int(pool.seen[note])
        if kind < 0:
            continue
        target = batch.activations[row, 1 + len(NOISES) + kind].numpy()
        middle_s = float(batch.times[row, place, 0]) + pool.span_s[note].mean()
        if middle_s < time_s[-1]:
            seen += 1
            assert target[np.abs(time_s - middle_s).argmin()] == 1
    assert seen >= 3


def test_segments_are_added_as_a_loop_would():
    rng = np.random.default_rng(2)
    samples = torch.from_numpy(rng.integers(-100, 100, 50).astype(np.int16))
    out = torch.zeros(2, 30)
    start, length, row, at = (torch.tensor(own) for own in ([0, 10, 25], [8, 12, 9], [0, 1, 1], [3, 25, 2]))
    gain = torch.tensor([1.0, 0.5, 2.0])
    add_segments(out, samples, start, length, row, at, gain)
    expected = np.zeros((2, 30))
    for s, n, r, a, g in zip(start, length, row, at, gain, strict=True):
        for i in range(min(int(n), 30 - int(a))):
            expected[r, a + i] += float(g) * float(samples[s + i])
    assert out.numpy() == pytest.approx(expected)


def test_a_segment_read_faster_is_interpolated_between_samples():
    ramp = torch.arange(20, dtype=torch.float32)
    out = torch.zeros(1, 10)
    one = torch.tensor([0])
    add_segments(out, ramp, one, torch.tensor([6]), one, torch.tensor([1]), torch.ones(1), torch.tensor([1.5]))
    assert out[0].tolist() == pytest.approx([0, 0, 1.5, 3.0, 4.5, 6.0, 7.5, 0, 0, 0])


def test_tails_have_energy_1_and_decay_by_60_db_in_their_time():
    tails = diffuse_tails(3, RATE_HZ, (0.5, 0.5), torch.Generator().manual_seed(4))
    assert tails.square().sum(dim=1).numpy() == pytest.approx(1.0, abs=1e-4)
    # energy left after t, in the middle bands: -60 dB at the reverberation time (Schroeder, 1965: backward sum)
    left = tails.square().flip(1).cumsum(1).flip(1)
    fallen_db = 10 * torch.log10(left[:, round(0.35 * RATE_HZ)] / left[:, round(0.1 * RATE_HZ)])
    assert fallen_db.numpy() == pytest.approx(-60 * 0.25 / 0.5, abs=4.5)  # the bass dies 15 % later


def test_noise_falls_by_its_slope():
    noise = coloured_noise(torch.tensor([-3.0]), 2**17, torch.Generator().manual_seed(1))[0]
    power = torch.fft.rfft(noise).abs().square()
    hz = torch.fft.rfftfreq(2**17, 1 / RATE_HZ)
    octave = [power[(hz > low) & (hz < 2 * low)].mean() for low in (500.0, 1000.0, 2000.0, 4000.0)]
    falls = np.diff(10 * np.log10(octave))
    assert falls == pytest.approx([-3, -3, -3], abs=0.6)


def test_clips_are_joined_end_to_end_with_their_loudest_10_ms_at_1():
    rng = np.random.default_rng(3)
    waves = rng.standard_normal(9600), 20 * rng.standard_normal(4800)
    clips = [NoiseClip("knock", waves[0], "a"), NoiseClip("voice", waves[1], "b")]
    joined, (kind, start, length) = joined_clips(clips, torch.device("cpu"))
    assert [NOISES[k] for k in kind] == ["knock", "voice"]
    assert start.tolist() == [0, 9600] and length.tolist() == [9600, 4800]
    for at, count in zip(start, length, strict=True):
        power = np.convolve(joined[at : at + count].numpy() ** 2, np.ones(480) / 480, mode="same")
        assert power.max() == pytest.approx(1.0, rel=1e-3)


def test_warping_stretches_the_mel_axis():
    frames = torch.arange(80, dtype=torch.float32)[None, :, None].repeat(2, 1, 3)  # a band's level is its number
    out = warped(frames, torch.tensor([1.0, 1.25]), torch.tensor([0.0, -2.0]))
    assert out[0, :, 1].numpy() == pytest.approx(np.arange(80), abs=0.01)
    assert out[1, :, 0].numpy() == pytest.approx(np.clip(np.arange(80) * 1.25 - 2, 0, 79), abs=0.01)
