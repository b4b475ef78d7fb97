import struct

import numpy as np
import pytest

from tests.training.learning import small_config
from training import note_editing as shaping
from training.pool import KINDS, MEASURED, PEAK, RATE_HZ, build_pool, load_pool, pool_of
from training.soundbank import HEADER, bank_notes, play
from triage.domain.errors import AudioError, ConfigError
from triage.listen.encoder import PLAYED


@pytest.fixture(scope="module")
def config():
    return small_config()


@pytest.fixture(scope="module")
def pool(config, stand_ins):
    return build_pool(config.pool, stand_ins, None, seed=1)


def wave(pool, note: int) -> np.ndarray:
    start = int(pool.start[note])
    return pool.samples[start : start + int(pool.length[note])].astype(float) / PEAK


def test_every_dry_note_is_there_good_and_spoilt(pool, config):
    own = config.pool.recorded
    horn = [i for i, name in enumerate(pool.parts) if str(name).startswith("horn/")]
    mine = np.isin(pool.part, horn)
    assert mine.sum() == 16 * (own.good + own.spoilt)  # 8 pitches, 2 round robins
    assert (pool.kind[mine] == 0).sum() >= 16 * own.good
    assert {KINDS[k] for k in set(pool.kind)} > {"fine", "attack", "level", "tone"}
    assert KINDS[pool.kind.max()] != "noise"  # noises come with the room
    for base in set(pool.base):
        assert len(set(pool.pitch[pool.base == base])) == 1


def test_what_can_be_seen_alone_lies_inside_the_note(pool):
    shown = pool.seen >= 0
    assert shown.any()
    for note in np.flatnonzero(shown):
        assert PLAYED[pool.seen[note]] == KINDS[pool.kind[note]]
        start_s, end_s = pool.span_s[note]
        assert -0.1 < start_s < end_s < pool.length[note] / RATE_HZ + 0.2
    assert (pool.seen[pool.kind == 0] == -1).all()


def test_levels_keep_their_balance_inside_a_part(pool):
    # the gain brings int16 back to the part's own balance, whose median loudest 5 ms is 0 dB
    for part in range(len(pool.parts)):
        own = np.flatnonzero(pool.part == part)
        levels = [shaping.peak_rms_db(wave(pool, n), RATE_HZ) + pool.gain_db[n] for n in own]
        assert np.median(levels) == pytest.approx(0.0, abs=0.05)
        measured = pool.measures[own, MEASURED.index("level")] * 6
        assert np.array(levels) - np.median(levels) == pytest.approx(measured - np.median(measured), abs=0.1)


def test_planted_sizes_are_in_the_measurements(pool):
    cents = pool.measures[:, MEASURED.index("cents")] * 25
    assert np.abs(cents[pool.kind == 0]).max() <= 8.0  # the widest spread of the recipe
    off = np.abs(cents[pool.kind == KINDS.index("intonation")])
    assert not len(off) or off.max() > 15
    level = pool.measures[:, MEASURED.index("level")] * 6
    for base in set(pool.base):
        fine = level[(pool.base == base) & (pool.kind == 0)]
        steps = level[(pool.base == base) & (pool.kind == KINDS.index("level")) & (pool.seen < 0)]
        assert all(np.abs(one - fine).max() > 1.5 for one in steps)  # a step of 3.5 dB against a spread of 1 to 1.5


def test_the_seed_decides_everything(config, stand_ins):
    own = config.pool.recorded.model_copy(update={"good": 1, "spoilt": 1})
    few = config.pool.model_copy(update={"recorded": own})
    one, same, other = (build_pool(few, stand_ins, None, seed).digest() for seed in (1, 1, 2))
    assert one == same != other


def test_a_pool_comes_back_as_it_was_saved(pool, tmp_path):
    pool.save(tmp_path / "pool.npz")
    back = load_pool(tmp_path / "pool.npz")
    assert back.digest() == pool.digest()
    assert np.array_equal(back.kind, pool.kind) and list(back.parts) == list(pool.parts)


def test_held_voices_are_kept_apart(pool):
    held = {str(name).split("/")[0] for name, held in zip(pool.parts, pool.held, strict=True) if held}
    assert held == {"voice 1"}


def test_a_recipe_without_sources_is_refused(config, stand_ins):
    with pytest.raises(AudioError, match="no notes of"):
        build_pool(config.pool.model_copy(update={"instruments": ("tin whistle",)}), stand_ins, None, 1)
    with pytest.raises(ConfigError, match="nothing to train on"):
        pool_of([])


def bank(samples: list[tuple[str, np.ndarray, int, int]]) -> bytes:
    """A SoundFont 2 file of these (name, wave, loop start, loop end), by the layout of its specification 2.01."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack("<4sI", name, len(body)) + body + b"\0" * (len(body) % 2)

    at, headers = 0, b""
    for name, wave_, loop, loop_end in samples:
        headers += HEADER.pack(name.encode(), at, at + len(wave_), at + loop, at + loop_end, 44_100, 60, 0, 0, 1)
        at += len(wave_)
    headers += HEADER.pack(b"EOS", 0, 0, 0, 0, 0, 0, 0, 0, 0)
    smpl = np.concatenate([wave_ for _, wave_, *_ in samples]).astype("<i2").tobytes()
    parts = chunk(b"LIST", b"sdta" + chunk(b"smpl", smpl)), chunk(b"LIST", b"pdta" + chunk(b"shdr", headers))
    return chunk(b"RIFF", b"sfbk" + b"".join(parts))


@pytest.fixture
def flute(tmp_path):
    time_s = np.arange(4410) / 44_100
    sine = np.round(20_000 * np.sin(2 * np.pi * 441 * time_s))  # a period is 100 samples
    path = tmp_path / "bank.sf2"
    path.write_bytes(
        bank(
            [
                ("Flute A4(L)", sine, 4000, 4400),
                ("Flute A4(R)", 0 * sine, 4000, 4400),
                ("Flute Bb4", sine, 4000, 4400),
                ("Piano C4", sine, 4000, 4400),
                ("Flute noise", sine, 4000, 4400),
            ]
        )
    )
    return path


def test_a_bank_gives_one_waveform_a_pitch_of_the_families_asked_for(flute):
    found = bank_notes(flute, ["Flute"])
    assert [(note.family, note.midi_pitch) for note in found] == [("Flute", 69), ("Flute", 70)]
    assert np.abs(found[0].wave).max() == pytest.approx(20_000 / 32_768, rel=1e-3)  # the left channel, full scale 1


def test_a_bank_note_is_held_by_its_loop_and_retuned(flute):
    note = bank_notes(flute, ["Flute"])[0]
    held = play(note, 12.0, 0.8, 0.1, 48_000)
    assert shaping.sounding_end(held, 48_000) / 48_000 == pytest.approx(0.9, abs=0.05)  # 20 dB down a release later
    middle = held[9_600:28_800] * np.hanning(19_200)
    peak_hz = np.abs(np.fft.rfft(middle)).argmax() * 48_000 / 19_200
    assert peak_hz == pytest.approx(882, abs=3)  # an octave above 441 Hz, to the width of a bin


def test_another_file_is_no_bank(tmp_path):
    (tmp_path / "x.sf2").write_bytes(b"RIFF....WAVE")
    with pytest.raises(AudioError, match="not a SoundFont 2 bank"):
        bank_notes(tmp_path / "x.sf2", ["Flute"])
