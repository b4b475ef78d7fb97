"""Two looks at the bench of taste: what a tolerance does to log-odds, where noise stands for who minds none."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit

from training.taste_bench import BenchSession, TasteEvaluationConfig, rejected_takes, take_doubts
from training.taste_fit import HouseDoubts, TasteConfig, fit_taste
from training.tolerant_producer import KINDS, TolerantProducer, draw_producer, verdict_on
from triage.domain.verdict import Verdict
from triage.judge.taste import HOUSE, HOUSE_JND, MOST, Taste, evidence

NOISE_COUNTS = (20, 50)  # verdicts
TRIED = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])  # log tolerances


def noise_to_the_end(
    by_instrument: dict[str, list[BenchSession]], config: TasteEvaluationConfig, how: TasteConfig
) -> dict[str, float]:
    """Return where takes with a noise and nothing else stand in a day's queue for one who minds no noise.

    A day holds a session of every instrument; its most doubtful takes get the verdicts, and the place (0 first, 1
    last) is the mean over the days of the other draws. ``out`` is where they stand with noise taken out altogether.
    """
    drawn = draw_producer(config.draw, 0, (), (), config.seed)
    producer = replace(drawn, kind=dict.fromkeys(drawn.kind, 0.0) | {"noise": MOST}, hurried_s=None)
    days = [[own[draw] for own in by_instrument.values()] for draw in range(config.draws + config.measured)]
    later = days[config.draws :]
    nothing = Taste({"noise": MOST}, instrument={("noise", name): 0.0 for name in by_instrument})
    places = {"untaught": _place_of_noise(HOUSE, producer, later), "out": _place_of_noise(nothing, producer, later)}
    for count in NOISE_COUNTS:
        tastes = [fit_taste(_day_s_verdicts(day, producer, count), how).taste for day in days[: config.draws]]
        places[str(count)] = float(np.mean([_place_of_noise(taste, producer, later) for taste in tastes]))
    return places


def _day_s_verdicts(day: Sequence[BenchSession], producer: TolerantProducer, count: int) -> list[HouseDoubts]:
    """Return the sessions of a day labelled by verdicts on its most doubtful takes."""
    rng = np.random.default_rng(count)
    queue = sorted(
        (-doubt, at, take)
        for at, one in enumerate(day)
        for take, doubt in take_doubts(one, HOUSE).items()
        if take in one.takes
    )
    judged = [producer.rejects(one.house.examples.table, one.true, rng) for one in day]
    given: list[list[Verdict]] = [[] for _ in day]
    for _, at, take in queue[:count]:
        table = day[at].house.examples.table
        given[at].append(verdict_on(take, table, judged[at], (True, True), producer.config.slips, rng))
    return [
        replace(one.house, examples=one.house.examples.with_verdicts(own))
        for one, own in zip(day, given, strict=True)
        if own
    ]


def _place_of_noise(taste: Taste, producer: TolerantProducer, days: Sequence[Sequence[BenchSession]]) -> float:
    column, places = KINDS.index("noise"), list[float]()
    for day in days:
        doubts, noisy = list[float](), list[bool]()
        for one in day:
            table = one.house.examples.table
            loud = {str(name) for name in table.take[np.abs(one.true.size[:, column]) > HOUSE_JND]}
            loud -= rejected_takes(producer, one, np.random.default_rng(0))
            found = take_doubts(one, taste)
            doubts += [found[name] for name in one.takes]
            noisy += [name in loud for name in one.takes]
        rank = np.argsort(np.argsort(-np.array(doubts), kind="stable")) / (len(doubts) - 1)
        places += rank[np.array(noisy)].tolist()
    return float(np.mean(places))


def shape_of(by_instrument: dict[str, list[BenchSession]], softness: float) -> str:
    """Return, for each kind, how much a log tolerance T adds to the log-odds: s (1 - exp(b T)) / b, fitted.

    The probability that a note's true size is over the tolerance is regressed on the tool's log-odds and on T.
    """
    every, lines = [one for own in by_instrument.values() for one in own], []
    for column, kind in enumerate(every[0].house.kinds):
        found = [
            evidence(o.house.each, o.house.kinds, o.house.examples.features, o.house.examples.table) for o in every
        ]
        odds = np.concatenate([e.odds[o.true.usable, column] for e, o in zip(found, every, strict=True)])[:, None]
        size = np.concatenate([np.abs(o.true.size[o.true.usable, KINDS.index(kind)]) for o in every])
        over = expit((np.log(np.maximum(size, 1e-3) / HOUSE_JND)[:, None] - TRIED) / softness)

        def loss(x: np.ndarray, odds: np.ndarray = odds, over: np.ndarray = over) -> float:
            steep, bend = np.exp(x[2]), np.exp(x[3])
            p = np.clip(expit(x[0] + x[1] * odds + steep * (1 - np.exp(bend * TRIED)) / bend), 1e-6, 1 - 1e-6)
            return float(-(over * np.log(p) + (1 - over) * np.log(1 - p)).mean())

        best = minimize(loss, [0.0, 0.7, 0.0, 0.0], method="Nelder-Mead", options={"maxiter": 4000, "maxfev": 4000}).x
        lines.append(f"{kind}: s {np.exp(best[2]):.2f}, b {np.exp(best[3]):.2f}")
    return "\n".join(lines)
