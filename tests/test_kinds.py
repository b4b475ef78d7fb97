"""Every kind has what the lists, pages and sheets say of it, and the rest of the tool knows no kind beside them."""

import json
import re
from pathlib import Path

import pytest

from training.performance_faults import FAULTS
from training.synthetic_noises import MAKERS
from training.technical_faults import MISHAPS
from triage.desk import template_filters
from triage.domain.kinds import KINDS, NOISES, SIGNS, TECHNICAL, as_json, family, flaw, label
from triage.listen import encoder

STATIC = Path(template_filters.__file__).with_name("static")
MODELS = Path(__file__).parent.parent / "models"


def test_the_noise_network_has_one_output_for_each_kind_of_noise_in_their_order():
    card = json.loads((MODELS / "noise_network.json").read_text(encoding="utf-8"))
    assert card["kinds"] == list(NOISES)


@pytest.mark.parametrize("kind", NOISES)
def test_every_noise_has_a_remedy_and_a_sound_to_learn_from(kind):
    remedy = KINDS[kind].remedy
    assert remedy is not None and "{mic}" in remedy.cause and remedy.advice
    assert kind in MAKERS or kind in ("breath", "mechanism", "paper", "other-noise")


def test_what_is_planted_and_what_the_encoder_was_taught_are_kinds():
    assert {fault.kind for fault in FAULTS.values()} <= {k for k, one in KINDS.items() if one.family == "performance"}
    assert MISHAPS.keys() <= set(TECHNICAL)
    assert set(encoder.NOISES) <= set(NOISES)


def test_a_click_of_the_room_and_one_of_the_samples_are_two_kinds():
    assert (family("click"), family("digital-click")) == ("noise", "technical")
    assert (flaw("click"), flaw("digital-click")) == ("with a click", "with a digital click")
    assert label("mechanism") == "valve or key noise" and family("of-tomorrow") == "performance"


def test_the_pages_get_the_kinds_and_have_no_list_of_their_own():
    assert [one["name"] for one in as_json()] == list(KINDS)
    assert {one["sign"] for one in as_json()} == set(SIGNS.values())
    quoted = re.compile(r"\"(" + "|".join(map(re.escape, (*NOISES, *TECHNICAL))) + r")\"")
    found = {path.name: quoted.findall(path.read_text(encoding="utf-8")) for path in STATIC.glob("*.js")}
    assert not {name: kinds for name, kinds in found.items() if len(set(kinds) - {"click"}) > 2}
