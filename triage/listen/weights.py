"""Weights: a network's file and its card, written and read; reading never runs code of the file.

Weights are safetensors; the card lies beside them as .json and states the network's sizes and the weights' SHA-256.
"""

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path

import safetensors.torch
from torch import Tensor, nn

from triage.domain.errors import ConfigError, TriageError
from triage.listen.cards import Card, read_card


def write_weights(network: nn.Module, path: Path, family: str, card: Card, file_names: Mapping[str, str]) -> str:
    """Write a network's weights and its card; return its name, FAMILY-XXXXXXXX of the weights' SHA-256.

    ``file_names`` maps module attributes to their names in the file, where the two differ.
    """
    weights = _renamed(network.state_dict(), file_names)
    data = safetensors.torch.save({key: value.contiguous().cpu() for key, value in weights.items()})
    digest = hashlib.sha256(data).hexdigest()
    name = f"{family}-{digest[:8]}"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    whole = {"name": name, "sha256": digest, "bytes": len(data)} | card
    path.with_suffix(".json").write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")
    return name


def read_weights(path: Path, file_names: Mapping[str, str]) -> tuple[Card, dict[str, Tensor]]:
    """Return the card and the weights of a file, as a state dict; ``file_names`` as for ``write_weights``.

    Raises
    ------
    ConfigError
        If the weights are not those that the card was written for. A malformed file may raise anything else.
    """
    data = path.read_bytes()
    card = read_card(path)
    if hashlib.sha256(data).hexdigest() != card["sha256"]:
        raise ConfigError(
            f"{path}: not the weights that {path.stem}.json was written for (SHA-256 differs); "
            "put both files back as they were shipped"
        )
    return card, _renamed(safetensors.torch.load(data), {name: key for key, name in file_names.items()})


def _renamed(weights: Mapping[str, Tensor], names: Mapping[str, str]) -> dict[str, Tensor]:
    """Return weights with the first part of their keys renamed."""
    parts = ((key.partition("."), value) for key, value in weights.items())
    return {names.get(first, first) + dot + rest: value for (first, dot, rest), value in parts}


def refused(error: Exception, path: Path | None, what: str, maker: str) -> str:
    """Return the one line that says why a file is no network; ``maker`` is the command that makes one."""
    if isinstance(error, TriageError):
        return str(error)
    why = str(error).splitlines()[0] if str(error) else type(error).__name__
    return f"{path}: not {what} with its card ({why}); `{maker}` makes one"
