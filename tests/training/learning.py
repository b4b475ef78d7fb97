"""The ten-second version of the encoder's training: a small pool of stand-ins, a small stage, a small network."""

from pathlib import Path

from training.pretrain import PretrainConfig
from triage.config import read_toml, shipped


def small_config() -> PretrainConfig:
    """The shipped recipe with everything made small."""
    whole = read_toml(shipped("configs/pretrain.toml"), PretrainConfig)
    pool, stage = whole.pool, whole.stage
    return whole.model_copy(
        update={
            "pool": pool.model_copy(
                update={
                    "instruments": ("horn",),
                    "longest_s": 0.8,
                    "recorded": pool.recorded.model_copy(update={"good": 2, "spoilt": 3}),
                    "invented": pool.invented.model_copy(update={"voices": 2, "held": 1, "pitches": 2}),
                }
            ),
            "stage": stage.model_copy(
                update={
                    "episodes": 2,
                    "takes": 2,
                    "take_s": 4.0,
                    "rooms": 4,
                    "rt60_s": (0.2, 0.4),
                    "spoilt": (0.3, 0.5),
                    "noises": 2.0,
                }
            ),
            "noise": whole.noise.model_copy(update={"invented": 12}),
            "network": whole.network.model_copy(update={"width": 16, "blocks": 1, "hidden": 16, "dimension": 8}),
            "train": whole.train.model_copy(update={"steps": 4, "validate_every": 2, "validation_episodes": 4}),
        }
    )


def as_toml(config: PretrainConfig, path: Path) -> Path:
    """Write a configuration as the TOML that read_toml reads."""
    lines: list[str] = []

    def put(table: dict, name: str) -> None:
        lines.extend([f"[{name}]"] if name else [])
        lines.extend(f"{_key(key)} = {_value(value)}" for key, value in table.items() if not isinstance(value, dict))
        for key, value in table.items():
            if isinstance(value, dict):
                put(value, f"{name}.{_key(key)}" if name else _key(key))

    put(config.model_dump(mode="json"), "")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def _key(key: str) -> str:
    return f'"{key}"'


def _value(value: object) -> str:
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    return f'"{value}"' if isinstance(value, str) else str(value)
