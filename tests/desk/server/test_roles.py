"""Roles: everybody finds every page in the head of the page, their own work first."""

import re

import pytest

OWN = {
    "editor": ["Listen", "Queue"],
    "producer": ["Taste", "Disputes", "Listen", "Consistency"],
    "engineer": ["Noise", "Arrivals"],
    "lead": ["Just played", "Pick-ups", "Listen"],
}
ALL = "Sessions Listen Queue Just played Arrivals Noise Consistency Pick-ups Keepers Disputes Taste"


def links(page: str) -> dict[str, str]:
    """Return the links of a page's head: text -> address."""
    head = page[page.index('<nav aria-label="Pages">') : page.index("</nav>")]
    return {text: there for there, text in re.findall(r'href="([^"]+)"[^>]*>([^<]+)</a>', head)}


@pytest.mark.parametrize("role", OWN)
def test_each_role_finds_every_page_and_its_own_first(desk, role):
    person = desk.person(role, role)
    found = links(person.get("/s/1/queue/list").text)
    assert list(found)[1:][: len(OWN[role])] == OWN[role]
    assert " ".join(sorted(found)) == " ".join(sorted(re.findall(r"Just played|\S+", ALL)))
    assert [person.get(there).status_code for there in found.values()] == [200] * len(found)


def test_a_page_of_no_session_links_to_none(desk):
    found = links(desk.person("petra", "producer").get("/models").text)
    assert list(found) == ["Sessions", "Taste"]
