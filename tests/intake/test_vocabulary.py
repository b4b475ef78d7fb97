import pytest

from triage.domain.sheet_row import SheetRow
from triage.intake.sheet import TakeSheet
from triage.intake.vocabulary import asked_about


def read_as(articulation, dynamic="ff", own=()):
    sheet = TakeSheet((SheetRow("T1", "horn", articulation, dynamic), SheetRow("T2", "horn", "staccato", "ff")))
    found = asked_about(sheet, own, ())
    return found.rows[0].articulation, found.rows[0].dynamic, found


def test_a_slip_is_read_as_the_known_word_and_asked_about():
    articulation, _, found = read_as("stacato")
    assert articulation == "staccato" and found.needs_person
    (line,) = found.problems
    assert "articulation 'stacato' of T1: is 'staccato' meant?" in line and "[vocabulary]" in line


@pytest.mark.parametrize(
    "word", ["marcato", "staccato 2", "staccato long", "vox humana", "sustain nv", "detache", "Détaché", ""]
)
def test_known_words_and_words_unlike_any_are_no_slips(word):
    _, _, found = read_as(word)
    assert found.problems == () and not found.needs_person


def test_a_word_of_the_sessions_own_is_no_slip():
    assert read_as("stacato", own=("stacato",))[0] == "stacato"


def test_capitals_make_no_cohort_of_their_own():
    assert read_as("Staccato", "FF")[:2] == ("staccato", "ff")
