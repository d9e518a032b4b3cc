"""Which model a night works with, and why: the given one, the fleet's own if it beat the shipped one, the shipped."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from pipeline.core.errors import InputError
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import load_model
from pipeline.storage.layout import OWN_MODEL, own_model_folder


def choose_model(folder: Path | None, out: Path, as_of: date | None = None) -> tuple[Model, str]:
    """Return the model and one line on why it is this one.

    A model of the fleet that this version can't use, or that beat another shipped model than this version's, is
    passed over: the night goes on with the shipped one. So it is for a night `as_of` before days that the fleet's own
    has learned from: it knows what visits found after that night.

    Raises
    ------
    InputError
        The given model, or the shipped one, is not usable.
    """
    if folder is not None:
        return load_model(folder), "given with --model"
    shipped = load_model()
    own_folder = own_model_folder(out)
    if not own_folder.is_dir():
        return shipped, "shipped"
    again = "train again with `nightclamp train LAKE`"
    try:
        own = load_model(own_folder)
    except InputError as error:
        reason = str(error).replace(str(own_folder), f"OUT/{OWN_MODEL}").split(";")[0]
        return shipped, f"shipped, since the fleet's own can't be used: {reason}; {again}"
    result = own.against_shipped
    if result.get("shipped_id") != shipped.model_id:
        return shipped, f"shipped, since the fleet's own was not compared with it; {again}"
    if not result.get("is_better"):
        return shipped, f"shipped, since the fleet's own did not beat it: {result.get('why')}"
    learned_to = str(own.recipe.get("as_of", ""))
    if as_of is not None and learned_to > str(as_of):
        return shipped, f"shipped, since the fleet's own has learned from days up to {learned_to}"
    return own, f"trained on this fleet, beat the shipped one on {result.get('homes')} held-out homes"
