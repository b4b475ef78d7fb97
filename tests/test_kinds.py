"""Every kind of noise and of trouble in the samples is known in every room that says, draws or learns of it.

A kind that a list forgets would be drawn as bad playing, have no advice on the noise sheet, or teach nothing.
"""

import re
from pathlib import Path

from training import verdict_examples as taught
from training.noise_evaluation import NOISE_KINDS
from triage.desk import template_filters as wording
from triage.judge.clean_notes import FAILURES, NOISES
from triage.listen.noise_network import KINDS
from triage.sheets.noise_text import REMEDIES
from triage.sheets.timeline import SHAPE_OF

WORDS = Path(wording.__file__).with_name("static") / "words.js"


def listed(name: str) -> list[str]:
    """Return a list of kinds of the desk's own script."""
    found = re.search(rf"const {name} = \[(.*?)\]", WORDS.read_text(encoding="utf-8"))
    return re.findall(r'"([^"]+)"', found[1]) if found else []


def test_every_kind_of_noise_is_known_in_every_room():
    assert set(KINDS) == set(wording.NOISE) == set(listed("NOISES")) == NOISE_KINDS == taught.NOISES - {"noise"}
    assert set(KINDS) <= REMEDIES.keys() and set(KINDS) <= SHAPE_OF.keys()
    assert set(KINDS) - NOISES.keys() == {"click", "creak", "knock"}  # "with a click" needs no word of its own


def test_what_the_noise_sheet_has_advice_for_is_noise_or_technical_and_has_a_mark():
    assert [kind for kind in REMEDIES if wording.family(kind) == "playing"] == []
    assert list(wording.TECHNICAL) == listed("TECHNICAL") and set(wording.TECHNICAL) == taught.TECHNICAL
    assert set(wording.TECHNICAL) <= FAILURES.keys()
    assert REMEDIES.keys() == SHAPE_OF.keys()
