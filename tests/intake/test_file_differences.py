from pathlib import Path

from triage.intake.file_differences import find_unlike
from triage.intake.integrity import FileFacts


def lengths(*lengths_s: float) -> list[tuple[str, float, float]]:
    group = {f"{n}": FileFacts(Path(), duration_s=length_s) for n, length_s in enumerate(lengths_s)}
    found = find_unlike([group], None, 0)
    assert all(entry.what == "length_s" for entry in found)
    return [(entry.path, entry.found, entry.expected) for entry in found]


def test_a_length_is_compared_with_the_takes_other_tracks():
    assert lengths(5.0, 5.0, 4.0) == [("2", 4.0, 5.0)]
    assert lengths(5.0, 6.0) == [("0", 5.0, 6.0), ("1", 6.0, 5.0)]
    assert lengths(5.0, 5.01, 5.0) == []  # 10 ms and less is how recorders stop
    assert lengths(5.0, 5.011, 5.0) == [("1", 5.011, 5.0)]
    assert lengths(5.0) == []
