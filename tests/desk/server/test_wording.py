"""Numbers on the pages: never more certain than they are."""

import pytest

from triage.desk.template_filters import NOTHING, percent


@pytest.mark.parametrize(
    "share, text", [(None, NOTHING), (0.9999, ">99 %"), (0.99, "99 %"), (0.5, "50 %"), (0.01, "1 %"), (0.0, "<1 %")]
)
def test_a_probability_is_never_shown_as_certain(share, text):
    assert percent(share) == text
