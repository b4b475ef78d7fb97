"""The list of tested versions covers every dependency of the project, and none that the project refuses."""

import pytest
from packaging.utils import canonicalize_name

from tests.tested_versions import FILE, listed, wanted_here


@pytest.mark.parametrize("wanted", wanted_here(), ids=lambda one: one.name)
def test_each_dependency_has_a_tested_version_that_the_project_allows(wanted):
    version = listed().get(canonicalize_name(wanted.name))
    assert version is not None, f"{wanted.name}: run `python -m tests.tested_versions` and commit {FILE.name}"
    assert version in wanted.specifier


def test_the_list_names_each_once_in_order_and_what_they_draw_in():
    names = list(listed())
    assert names == sorted(set(names)) and {"starlette", "pydantic-core", "mako"} <= set(names)
