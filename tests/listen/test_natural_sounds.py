"""Natural sounds of playing told from noises: by the network, and by where a sound comes from."""

from dataclasses import replace

import numpy as np
import pytest
import torch

from triage.listen.hits import MicAnalysis, MicLevel, NoiseEvent, noise_events
from triage.listen.natural_sounds import is_natural, noise_odds
from triage.listen.noise_network import STEP_S, NoisePrediction
from triage.listen.notes import NoteSegment

KEY = NoiseEvent(
    "mechanism", 1.0, 1.1, {"close": MicLevel(-50.0, 20.0, 0.9)}, 0.4, 0.5, "key-sound", (0.0,) * 20, leads_in=True
)
PLAYER_S, ELSEWHERE_S, UNKNOWN_S = 0.0002, 0.01, float("nan")


def test_the_odds_are_the_networks_times_what_the_place_says():
    assert noise_odds(KEY, 0.002) == pytest.approx(0.4 / 0.6)
    assert (
        noise_odds(KEY, PLAYER_S) < noise_odds(KEY, 0.002) < noise_odds(KEY, UNKNOWN_S) < noise_odds(KEY, ELSEWHERE_S)
    )


@pytest.mark.parametrize(
    "sure, away_s, natural",
    [
        (0.6, PLAYER_S, True),  # a key, even where it sounds like a knock
        (0.9, PLAYER_S, True),  # most of what is so sure there is a breath or a key
        (0.3, ELSEWHERE_S, False),  # somebody else's
        (0.1, ELSEWHERE_S, True),  # nothing but arrival times speaks for a noise: an echo misleads them
        (0.97, PLAYER_S, False),  # the player's chair
    ],
)
def test_what_leads_into_a_note_is_judged_by_sound_and_place(sure, away_s, natural):
    assert is_natural(replace(KEY, sure=sure), away_s) == natural


def test_what_leads_into_no_note_and_is_no_sound_of_playing_is_a_noise():
    assert not is_natural(replace(KEY, sure=0.6, played=0.1, leads_in=False), PLAYER_S)


def microphone(level):
    """What a microphone over a floor of -80 dB holds, from its levels [shape=(20, step)]."""
    messages = np.zeros((level.shape[1], 24), np.float16)
    return MicAnalysis("close", messages, level.astype(np.float16), np.full(20, -80.0))


class Found:
    """A detector that finds one noise from 1.8 s on, which runs into a note at 2.0 s."""

    def __init__(self, until_s):
        any_ = np.zeros(200, np.float32)
        any_[round(1.8 / STEP_S) : round(until_s / STEP_S)] = 0.9
        self.any = any_

    def joint(self, messages):

        sure = torch.from_numpy(self.any)
        kinds = torch.zeros(12, 200)
        kinds[0] = 1.0
        own = sure[None]
        return NoisePrediction(sure, kinds, own, 20 * own, torch.zeros(200), torch.full((4, 200), 0.25))


@pytest.mark.parametrize("until_s, end_s", [(2.06, 2.0), (2.6, 2.6)])
def test_a_noise_that_runs_into_a_note_has_the_level_of_what_came_before_the_note(until_s, end_s):
    # known answer: 20 parts at -80 dB, in one of them a noise at -60 dB before the note and the note at -20 dB in it
    level = np.full((20, 200), -80.0)
    level[5, round(1.8 / STEP_S) : round(2.0 / STEP_S)] = -60.0
    level[5, round(2.0 / STEP_S) :] = -20.0
    (event,) = noise_events([microphone(level)], [NoteSegment(2.0, 3.0, 3.5, -20.0)], Found(until_s))
    assert event.mics["close"].over_floor_db == pytest.approx(20.0, abs=0.2)
    assert event.start_s == pytest.approx(1.8, abs=0.001) and event.end_s == pytest.approx(end_s, abs=STEP_S)


class Played(Found):
    """A detector that finds no noise, and a natural sound of playing at a time."""

    def __init__(self, from_s, until_s):
        self.from_s, self.until_s = from_s, until_s

    def joint(self, messages):
        quiet, played = torch.zeros(200), torch.zeros(200)
        played[round(self.from_s / STEP_S) : round(self.until_s / STEP_S)] = 0.9
        own = quiet[None]
        return NoisePrediction(quiet, torch.zeros(12, 200), own, own, played, torch.full((4, 200), 0.25))


@pytest.mark.parametrize("from_s, found", [(1.8, 1), (1.98, 0)])
def test_what_begins_with_a_note_has_no_level_but_the_notes_and_is_no_natural_sound_of_its_own(from_s, found):
    level = np.full((20, 200), -80.0)
    level[5, round(1.8 / STEP_S) : round(2.0 / STEP_S)] = -60.0
    level[5, round(1.98 / STEP_S) :] = -20.0
    note = NoteSegment(2.0, 3.0, 3.5, -20.0)
    assert len(noise_events([microphone(level)], [note], Played(from_s, 2.2))) == found


def test_a_noise_that_stands_nowhere_over_the_floor_is_not_exposed_whatever_the_network_says():
    # known answer: nothing rises over what is there before and after
    assert noise_events([microphone(np.full((20, 200), -80.0))], [], Found(2.6)) == []


class Told(Found):
    """A detector that finds one noise at 1.9 s and says so surely that it is a click."""

    def __init__(self, likely):
        super().__init__(2.1)
        self.likely = likely

    def joint(self, messages):
        found = super().joint(messages)
        kinds = torch.full((12, 200), (1 - self.likely) / 11)
        kinds[0] = self.likely
        return found._replace(kinds=kinds)


@pytest.mark.parametrize("likely, kind", [(0.55, "other-noise"), (0.65, "click")])
def test_a_kind_is_told_only_where_it_is_likely(likely, kind):
    level = np.full((20, 200), -80.0)
    level[5, 95:105] = -50.0
    (event,) = noise_events([microphone(level)], [], Told(likely))
    assert event.kind == kind
