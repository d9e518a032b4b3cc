"""What a model was trained on, by its own recipe: so that a fleet it has seen isn't taken for one it hasn't."""

from __future__ import annotations

import polars as pl

from pipeline.core.errors import InputError
from pipeline.learning.calibration import ONE_OF_EACH
from pipeline.scoring.model import Model

SCHEMA = pl.Schema(
    {
        "family": pl.String, "fleets": pl.Int64, "homes": pl.Int64, "average_precision": pl.Float64,
        "log_loss": pl.Float64, "false_alarm_share": pl.Float64,
    }
)  # fmt: skip
METRICS = ("average_precision", "log_loss", "false_alarm_share")


def training_families(model: Model) -> pl.DataFrame:
    """Return SCHEMA, a row a family: its training fleets and homes, and what it got when it was left out of training.

    Where the recipe says nothing of fleets (a model learned from one fleet, or an older one), what it says is there.
    """
    fleets, left_out = model.recipe.get("fleets", []), model.recipe.get("left_out", {})
    scale = float(model.recipe.get("scale", 1.0))
    rows = []
    for family in sorted({str(fleet["family"]) for fleet in fleets} | set(left_out)):
        sizes = [max(60, round(fleet["sites"] * scale)) for fleet in fleets if fleet["family"] == family]
        counts = (len(sizes), sum(sizes)) if fleets else (None, None)
        rows.append((family, *counts, *(left_out.get(family, {}).get(name) for name in METRICS)))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def describe_training(model: Model) -> str:
    """Return in a sentence which families the model learned from."""
    families = training_families(model)["family"]
    if families.is_empty():
        return f"Model {model.model_id} doesn't say which fleets it learned from."
    names = ", ".join(name for name in families if name != ONE_OF_EACH)
    has_seed = "seed" in model.recipe
    seeds = "of other seeds than these fleets" if has_seed else "its card doesn't say of which seeds"
    return f"Model {model.model_id} learned from families {names}, {seeds}."


def refuse_training_seeds(model: Model, seeds: set[int]) -> None:
    """Refuse to validate a model on a fleet whose seed it was trained on.

    Raises
    ------
    InputError
        One of `seeds` is a training fleet's.
    """
    first, count = model.recipe.get("seed"), len(model.recipe.get("fleets", []))
    if first is None:
        return
    seen = sorted(seeds & set(range(first * 1000, first * 1000 + count)))
    if seen:
        raise InputError(f"the model was trained on seed {seen[0]}: choose another --seed")
