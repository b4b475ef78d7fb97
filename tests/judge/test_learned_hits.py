"""Corrections of hits: the hit itself, and those that sound like it."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from triage.domain.hit import Hit, HitCorrection
from triage.judge.learned_hits import learned_hits, sound_distance_db

CHAIR = tuple(np.linspace(-30.0, 0.0, 20))
KEY = tuple(np.linspace(0.0, -30.0, 20))


def hit(take="T001", start_s=2.0, sound=CHAIR, mic="room", kind="knock"):
    return Hit(kind, start_s, start_s + 0.3, mic, (mic,), -50.0, 20.0, 0.9, sound=sound, take=take)


def correction(of, right_kind, start_s=None, session="one"):
    start = of.start_s if start_s is None else start_s
    at = datetime(2026, 3, 14, tzinfo=UTC)
    return HitCorrection(
        session, of.take, of.mic, of.kind, of.start_s, of.end_s, of.sound, right_kind, start, of.end_s, "anna", at
    )


def test_the_last_correction_of_a_hit_counts_with_its_boundaries():
    one = hit()
    given = [correction(one, "voice"), correction(one, "creak", start_s=1.8)]
    (found,) = learned_hits([one], "one", given)
    assert (found.kind, found.start_s, found.own) == ("creak", 1.8, True)


def test_two_corrections_teach_how_to_read_hits_that_sound_alike_in_any_session():
    given = [correction(hit("T001"), "creak"), correction(hit("T002", 5.0), "creak")]
    alike = hit("T009", 7.0, sound=tuple(np.array(CHAIR) + 1.0))
    unlike, elsewhere = hit("T009", 8.0, sound=KEY), hit("T009", 9.0, mic="close")
    found = learned_hits([alike, unlike, elsewhere], "another", given)
    assert [one.kind for one in found] == ["creak", "knock", "knock"]
    assert found[0].start_s == 7.0 and not found[0].own


def test_one_correction_alone_teaches_nothing_about_others():
    (found,) = learned_hits([hit("T009", 7.0)], "one", [correction(hit(), None)])
    assert found.kind == "knock"


def test_what_was_called_no_noise_twice_is_none_where_it_sounds_the_same():
    given = [correction(hit("T001"), None), correction(hit("T002"), None)]
    assert learned_hits([hit("T003", 4.0)], "one", given)[0].kind is None
    longer = replace(hit("T003", 4.0), end_s=6.0)  # of another length: no such sound
    assert learned_hits([longer], "one", given)[0].kind == "knock"


def test_people_who_disagree_change_nothing():
    given = [correction(hit("T001"), "creak"), correction(hit("T002"), "voice")]
    assert learned_hits([hit("T003", 4.0)], "one", given)[0].kind == "knock"


def test_the_distance_of_two_sounds_is_that_of_the_definition():
    assert sound_distance_db((0.0, -10.0), (0.0, -14.0)) == np.sqrt(8.0)
    assert sound_distance_db((), CHAIR) == np.inf
