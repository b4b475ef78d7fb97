"""Numbers on the pages: never more certain than they are."""

import pytest

from triage.desk.template_filters import NOTHING, percent


@pytest.mark.parametrize(
    "share, said", [(None, NOTHING), (0.9999, ">99 %"), (0.99, "99 %"), (0.5, "50 %"), (0.01, "1 %"), (0.0, "<1 %")]
)
def test_a_probability_is_never_said_to_be_certain(share, said):
    assert percent(share) == said
