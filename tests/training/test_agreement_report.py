"""Who agrees with whom and with himself, and which verdicts are worth re-checking."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score

from training.agreement_report import agreement_of, contradictions, label_errors
from triage.cli.models import agreement_text
from triage.domain.verdict import Verdict

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)


def verdict(take, value, by="anna", note=None, blind=False, minute=0):
    return Verdict(take, value, by, NOON + timedelta(minutes=minute), note, None, None, blind)


def test_two_people_are_compared_on_the_takes_that_both_decided():
    verdicts = [verdict(f"T{i}", "reject" if i < 4 else "accept") for i in range(10)]
    verdicts += [verdict(f"T{i}", "reject" if i in (0, 1, 5) else "accept", "ben") for i in range(8)]
    verdicts += [verdict("T9", "unsure", "ben")]
    (row,) = agreement_of({"day": verdicts})
    mine, theirs = [i < 4 for i in range(8)], [i in (0, 1, 5) for i in range(8)]
    assert row["people"] == ["anna", "ben"] and row["n"] == 8
    assert row["kappa"] == pytest.approx(cohen_kappa_score(mine, theirs))


def test_who_rejects_a_note_rejects_its_take():
    verdicts = [
        verdict("T1", "reject", note=2),
        verdict("T1", "accept"),
        verdict("T1", "reject", "ben"),
        verdict("T2", "accept"),
        verdict("T2", "accept", "ben"),
    ]
    (row,) = agreement_of({"day": verdicts})
    assert row["agreed"] in (0.5, 1.0) and row["n"] == 2


def test_a_blind_repeat_is_held_against_the_first_verdict_which_stands():
    verdicts = [verdict(f"T{i}", "reject" if i % 2 else "accept") for i in range(8)]
    verdicts += [verdict(f"T{i}", "accept", blind=True, minute=99) for i in range(4)]  # two of them the other way now
    verdicts += [verdict(f"T{i}", "reject" if i % 2 else "accept", "ben") for i in range(8)]
    rows = {tuple(row["people"]): row for row in agreement_of({"day": verdicts})}
    assert rows["anna", "anna"]["n"] == 4 and rows["anna", "anna"]["agreed"] == 0.5
    assert rows["anna", "ben"]["kappa"] == pytest.approx(1.0)  # by her first verdicts


def test_planted_label_errors_are_found_and_few_others():
    rng = np.random.default_rng(5)
    truth = rng.random(300) < 0.2
    probability = np.clip(np.where(truth, 0.85, 0.06) + rng.normal(0, 0.05, 300), 0.01, 0.99)
    errors = rng.choice(300, 15, replace=False)
    rejected = truth.copy()
    rejected[errors] = ~rejected[errors]
    found = contradictions([("day", f"T{i}", None) for i in range(300)], rejected, probability)
    named = {int(one.take[1:]) for one in found}
    assert len(named & set(errors.tolist())) >= 13 and len(named - set(errors.tolist())) <= 3
    assert {one.said for one in found} <= {"accept", "reject"}


def test_with_few_verdicts_of_a_kind_nothing_is_called_a_contradiction():
    rejected = np.arange(30) < 3
    assert contradictions([("day", f"T{i}", None) for i in range(30)], rejected, np.full(30, 0.1)) == []


def test_the_report_says_both_in_words():
    card = {
        "agreement": [
            {"people": ["anna", "ben"], "kappa": 0.4, "low": 0.151, "high": 0.649, "agreed": 0.7, "n": 50},
            {"people": ["anna", "anna"], "kappa": None, "low": None, "high": None, "agreed": 1.0, "n": 1},
        ],
        "contradictions": [{"session": "day", "take": "T7", "note": 2, "said": "reject", "probability": 0.03}],
    }
    first, second, head, line = agreement_text(card).splitlines()
    assert first == "anna and ben: kappa 0.40 (0.15 to 0.65), the same verdict on 70% of 50 takes"
    assert second.startswith("anna with himself or herself, unannounced: 1 take")
    assert head.startswith("1 verdict worth re-checking") and line.strip() == (
        "day T7 note 2: reject, while the others say 3% reject"
    )


def test_label_errors_follow_the_formula_of_confident_learning():
    # Northcutt et al., JAIR 70, section 3, by hand. Thresholds: mean of 1 - p over accepts, of p over rejects.
    labels = np.array([0, 0, 0, 0, 1, 1, 1, 1])
    probability = np.array([0.1, 0.1, 0.1, 0.9, 0.9, 0.8, 0.9, 0.2])
    # (0.9 + 0.9 + 0.9 + 0.1) / 4 = 0.7 and (0.9 + 0.8 + 0.9 + 0.2) / 4 = 0.7: all are confident of one class
    # joint [[3, 1], [1, 3]], scaled to four labels each: one wrong label in either class, the least likely one
    assert label_errors(labels, probability) == [3, 7]


def test_labels_that_all_fit_hold_no_error():
    labels = np.repeat([0, 1], 10)
    assert label_errors(labels, np.where(labels == 1, 0.8, 0.3)) == []
