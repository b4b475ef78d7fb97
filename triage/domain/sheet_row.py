"""One row of the take sheet."""

from dataclasses import dataclass
from typing import Literal

NaturalSounds = Literal["usual", "none"]  # wanted of a player's own breath, keys, bow: as usual for them, or none


@dataclass(frozen=True)
class SheetRow:
    """One row of the take sheet, whether the take was recorded or not; pitches are MIDI, as on the sheet."""

    take: str
    instrument: str = ""
    articulation: str = ""
    dynamic: str = ""
    pitches: tuple[int, ...] = ()
    repetitions: int = 1
    remark: str = ""
    setup: str = ""
    natural_sounds: NaturalSounds | Literal[""] = ""  # "": as the session has it

    def expected(self) -> tuple[int, ...]:
        """Return the MIDI pitch of each note in the order played: each pitch `repetitions` times in a row."""
        return tuple(pitch for pitch in self.pitches for _ in range(self.repetitions))
