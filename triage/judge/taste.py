"""A producer's taste: how far off each kind of fault may be before it is rejected, on top of any doubt.

The doubt says how likely somebody with the house's tolerances rejects a note, and of which kind. A tolerance of
exp(T) times the house's changes the log-odds of its kind by the same amount whatever the evidence (proportional odds,
McCullagh 1980): by -s T for what every note has some of (intonation, level, length), and by s (1 - exp(b T)) / b for
a fault that happens or not. Most of those are far larger than the house lets pass, so that who is stricter finds few
more, while a wide tolerance takes them all out. What is particular to one instrument is as much the tool's own
misjudgement of it as taste, and changes log-odds evenly, by -EVEN T. Few numbers hold a taste: one for each kind, how
it differs by articulation and by instrument, and how much more is let pass in one direction than in the other. Zeros
are the house's taste, which leaves every doubt as it is.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from triage.domain.errors import JudgeError
from triage.judge.features import NoteFeatures, on_axis
from triage.judge.note_table import NoteTable

PRIOR = 0.5  # standard deviation of a log tolerance before any verdict
LARGEST = 60.0  # log-odds
LEAST = 1e-6  # a probability is never nearer to 0 or 1 than this
# The measurement that shows the size and the direction of a kind, and one just noticeable difference of it, on the
# axis that it is compared on.
SIZED = {
    "intonation": ("cents", 5.0),
    "length": ("length_s", 0.1),
    "level": ("level_dbfs", 1.1),
    "tone": ("centroid_hz", 0.1),
}
HOUSE_JND = 4.0  # the house's tolerance
# s and b of each kind, near to what `python -m training.taste_evaluation --choose --shape` fits. Where b is about 0
# there (intonation, level, length) it is larger here: the tool hears small sizes badly, and b = 0 put a strict
# producer's queue in disorder.
CHANGES = {"intonation": (3.4, 0.85), "level": (3.4, 0.85)}
HAPPENS = (1.8, 1.8)  # of all others
EVEN = 3.0  # log-odds for each unit of what is particular to an instrument
MOST = 4.0  # a tolerance is between exp(-4) and exp(4) times the house's


@dataclass(frozen=True)
class Taste:
    """Natural logarithms of tolerances over the house's, by kind; a kind that is not named has the house's.

    ``articulation`` and ``instrument`` hold what is added for one, by (kind, name); ``direction`` what is added where
    the note is sharp, long, loud or bright, and taken off where it is the opposite. ``locked`` holds kinds whose
    tolerance was set by hand: nothing that is learnt moves them. An instrument that is not named was never heard:
    what was learnt of others does not move it.
    """

    kind: Mapping[str, float] = field(default_factory=dict)
    articulation: Mapping[tuple[str, str], float] = field(default_factory=dict)
    instrument: Mapping[tuple[str, str], float] = field(default_factory=dict)
    direction: Mapping[str, float] = field(default_factory=dict)
    locked: Mapping[str, float] = field(default_factory=dict)

    def log_tolerances(self, kinds: Sequence[str], table: NoteTable, sides: np.ndarray) -> np.ndarray:
        """Return the log tolerance of each kind for each note over the house's [shape=(note, kind)].

        What is particular to instruments is left out, but for those that were never heard.

        Parameters
        ----------
        kinds : sequence of str
        table : NoteTable
        sides : ndarray, shape (note, kind)
            As in ``Evidence``.
        """
        found = np.zeros((len(table), len(kinds)))
        articulations = table.articulation.tolist()
        heard = np.isin(table.instrument, sorted({name for _, name in self.instrument}))
        for column, kind in enumerate(kinds):
            if kind in self.locked:
                found[:, column] = self.locked[kind]
                continue
            added = [self.articulation.get((kind, one), 0.0) for one in articulations]
            found[:, column] = self.kind.get(kind, 0.0) + np.array(added)
            found[:, column] += self.direction.get(kind, 0.0) * sides[:, column]
            found[~heard, column] = 0.0
        return np.clip(found, -MOST, MOST)

    def added(self, kinds: Sequence[str], table: NoteTable, sides: np.ndarray) -> np.ndarray:
        """Return what the taste adds to the log-odds of each kind [shape=(note, kind)]; parameters as above."""
        own = np.zeros((len(table), len(kinds)))
        instruments = table.instrument.tolist()
        for column, kind in enumerate(kinds):
            if kind not in self.locked:
                own[:, column] = [self.instrument.get((kind, one), 0.0) for one in instruments]
        return change(kinds, self.log_tolerances(kinds, table, sides))[0] - EVEN * own


HOUSE = Taste()


@dataclass(frozen=True)
class Evidence:
    """What a taste needs to know of the notes beside their doubts: arrays of shape (note, kind)."""

    odds: np.ndarray  # log-odds of each kind against nothing being wrong, by the house's tolerances
    side: np.ndarray  # to which side of its neighbours a note is, -1 to 1; 0 where a kind has no sides


def evidence(each: np.ndarray, kinds: Sequence[str], features: NoteFeatures, table: NoteTable) -> Evidence:
    """Return the evidence of all notes of a session.

    Parameters
    ----------
    each : ndarray, shape (note, kind)
        The house's doubts: probabilities of each kind; 1 less their sum is that the note is fine.
    kinds : sequence of str
    features : NoteFeatures
    table : NoteTable
    """
    fine = np.clip(1 - each.sum(axis=1), LEAST, 1)
    odds = np.log(np.clip(each, LEAST, 1)) - np.log(fine)[:, None]
    side = np.zeros(odds.shape)
    for column, kind in enumerate(kinds):
        if kind in SIZED:
            name, step = SIZED[kind]
            away = np.nan_to_num(on_axis(name, table.values[name]) - features.deviations[name].expected) / step
            side[:, column] = np.tanh(away)
    return Evidence(odds, side)


def change(kinds: Sequence[str], tolerances: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return what tolerances add to the log-odds of each kind, and the slope of that [both shape=(note, kind)]."""
    steep, bend = np.array([CHANGES.get(kind, HAPPENS) for kind in kinds]).T
    grown = np.exp(bend * tolerances)
    return np.where(bend > 0, steep * (1 - grown) / np.where(bend > 0, bend, 1), -steep * tolerances), -steep * grown


def tasted(found: Evidence, added: np.ndarray) -> np.ndarray:
    """Return the probability of each kind for somebody with another taste than the house's [shape=(note, kind)].

    Parameters
    ----------
    found : Evidence
    added : ndarray, shape (note, kind)
        What the taste adds to log-odds.

    Raises
    ------
    JudgeError
        If the two have not the same shape.
    """
    if found.odds.shape != added.shape:
        raise JudgeError(f"{found.odds.shape} log-odds and {added.shape} changes of them: pass one of each")
    odds = np.exp(np.minimum(found.odds + added, LARGEST))
    return np.asarray(odds / (1 + odds.sum(axis=1, keepdims=True)))


def information(
    each: np.ndarray, kinds: Sequence[str], take: np.ndarray, articulation: np.ndarray
) -> tuple[list[str], np.ndarray]:
    """Return what a verdict on each take teaches about each tolerance, in units of what the prior knows.

    Of a kind's tolerance a note teaches s^2 p (1 - p) PRIOR^2, p the probability that it is rejected for that kind
    (Fisher information of a logistic model). A kind in one articulation is a tolerance of its own.

    Parameters
    ----------
    each : ndarray, shape (note, kind)
    kinds : sequence of str
    take, articulation : ndarray of str, shape (note,)

    Returns
    -------
    list of str
        The takes.
    ndarray, shape (take, kind and articulation)
    """
    takes, rows = np.unique(take, return_inverse=True)
    names, ways = np.unique(articulation, return_inverse=True)
    found = np.zeros((len(takes), len(names), each.shape[1]))
    steep = np.array([CHANGES.get(kind, HAPPENS)[0] for kind in kinds])
    np.add.at(found, (rows, ways), (steep * PRIOR) ** 2 * each * (1 - each))
    return [str(name) for name in takes], found.reshape(len(takes), len(names) * each.shape[1])
