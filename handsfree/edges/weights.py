"""The file of weights beside an acoustic model: what makes its confidence calibrated (see core/confidence.py)."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from handsfree.core.confidence import FEATURES, LOOKED_AT, Weights
from handsfree.core.errors import UserError

NAME = "confidence.json"


def read_weights(model_dir: Path) -> Weights | None:
    """None where the model has none: its confidence is then the decoder's posterior. Raises UserError for a file that
    is not what it should be."""
    path = model_dir / NAME
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
        looked_at = found["second_look"]
        return Weights(
            _weights(found["ear"], FEATURES),
            None if looked_at is None else _weights(looked_at, LOOKED_AT),
        )
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UserError(
            f"{path}: the weights of the ear's confidence cannot be read; install handsfree again"
        ) from error


def write_weights(model_dir: Path, weights: Weights, about: Mapping[str, Any]) -> None:
    """`about` is for people: which model, learnt from what."""
    text = json.dumps({**about, "ear": weights.ear, "second_look": weights.second_look}, indent=1)
    (model_dir / NAME).write_text(text + "\n", encoding="utf-8")


def _weights(found: Mapping[str, Any], features: tuple[str, ...]) -> dict[str, float]:
    """Raises KeyError, TypeError or ValueError."""
    weights = {name: float(found[name]) for name in features}
    if not all(map(math.isfinite, weights.values())):
        raise ValueError("a weight is no number")
    return weights
