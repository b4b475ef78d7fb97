"""Sessions of the bench of taste: drawn from analysed versions, with the house's doubts and what is really off."""

from dataclasses import dataclass

import numpy as np

from training.analysed_sessions import AnalysedSession
from training.note_versions import VersionsRecipe
from training.taste_fit import HouseDoubts
from training.tolerant_producer import ProducersConfig, TolerantProducer, TrueSizes, true_sizes
from training.verdict_examples import VerdictExamples
from training.version_draws import draw_takes
from triage.config import Strict
from triage.judge.doubt import DoubtModel, doubts_of_takes
from triage.judge.taste import Taste, evidence, tasted
from triage.ranking.placing import place
from triage.ranking.session_features import session_features


class BenchSessions(Strict):
    """Whose sessions, and the seed that they are built from."""

    instruments: tuple[str, ...]
    seed: int
    producers_seed: int
    noise_half: str


class TasteEvaluationConfig(Strict):
    """All of configs/taste_evaluation.toml."""

    counts: tuple[int, ...]
    producers: int
    seed: int
    draws: int
    measured: int
    spoilt_share: float
    held_out: int
    choose: BenchSessions
    report: BenchSessions
    draw: ProducersConfig


@dataclass(frozen=True)
class BenchSession:
    """One drawn session with the house's doubts and what is really off."""

    instrument: str
    house: HouseDoubts
    true: TrueSizes

    @property
    def takes(self) -> list[str]:
        """The takes whose fate the playing decides."""
        return sorted({str(name) for name in self.house.examples.table.take[self.true.usable]})

    @property
    def reserved(self) -> list[str]:
        """The half of them that no verdict is given on."""
        return self.takes[1::2]


def bench_sessions(
    session: AnalysedSession,
    instrument: str,
    recipe: VersionsRecipe,
    config: TasteEvaluationConfig,
    model: DoubtModel,
) -> list[BenchSession]:
    """Return the sessions drawn from the versions of one."""
    found = []
    for number in range(config.draws + config.measured):
        rng = np.random.default_rng([config.seed, number])
        takes, missing, _ = place(draw_takes(session, config.spoilt_share, rng), session.a4_hz)
        features = session_features(takes, missing, {})
        kinds, each = model.probabilities(features.notes)
        examples = VerdictExamples(
            f"{instrument}-{number}", features.notes, features.relative, features.table, (), ()
        )
        true = true_sizes(features.table, session.truth, recipe)
        found.append(BenchSession(instrument, HouseDoubts(examples, tuple(kinds), each), true))
    return found


def note_probabilities(one: BenchSession, taste: Taste) -> np.ndarray:
    """Return the probability of each kind for each note, by a taste [shape=(note, kind)]."""
    table, kinds = one.house.examples.table, one.house.kinds
    found = evidence(one.house.each, kinds, one.house.examples.features, table)
    return tasted(found, taste.added(kinds, table, found.side))


def take_doubts(one: BenchSession, taste: Taste) -> dict[str, float]:
    """Return the probability that each take is rejected, by a taste, as the queue does."""
    bad = note_probabilities(one, taste).sum(axis=1)
    return doubts_of_takes(bad, one.house.examples.table.take)


def rejected_takes(producer: TolerantProducer, one: BenchSession, rng: np.random.Generator) -> set[str]:
    """Return the takes with a note that a producer rejects."""
    table = one.house.examples.table
    bad, _ = producer.rejects(table, one.true, rng)
    return {str(name) for name in np.unique(table.take[bad & one.true.usable])}
