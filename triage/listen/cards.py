"""The cards of the shipped networks: what a network is called can be known without loading it."""

import json
from functools import cache
from pathlib import Path
from typing import Any

from triage.config import shipped

Card = dict[str, Any]
ENCODER, DETECTOR = "models/encoder.safetensors", "models/noise_network.safetensors"


def read_card(path: Path) -> Card:
    """Return the card of a file of weights."""
    card: Card = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    return card


@cache
def encoder_name() -> str:
    """Return the name of the shipped encoder."""
    return str(read_card(shipped(ENCODER))["name"])


@cache
def detector_name() -> str:
    """Return the name of the shipped network that finds noises."""
    return str(read_card(shipped(DETECTOR))["name"])
