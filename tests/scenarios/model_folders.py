"""Folders of a model in tests: what loading one says, and one sealed again after it was changed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pipeline.core.errors import InputError
from pipeline.scoring import model_file
from pipeline.scoring.model_file import CARD, WEIGHTS, load_model


def refusal(folder: Path) -> str:
    """The one line with which loading is refused."""
    with pytest.raises(InputError) as told:
        load_model(folder)
    assert "\n" not in str(told.value)
    assert "train it again with `nightclamp train`" in str(told.value)
    return str(told.value)


def sealed_again(folder: Path, **changed: Any) -> None:
    """Seal the folder anew, as whoever can write it could; None takes a field away."""
    card = json.loads((folder / CARD).read_text()) | {
        "weights_sha256": model_file._digest((folder / WEIGHTS).read_bytes()),
        **changed,
    }
    card = {name: value for name, value in card.items() if name != "card_sha256" and value is not None}
    (folder / CARD).write_text(json.dumps({**card, "card_sha256": model_file._seal(card)}))
