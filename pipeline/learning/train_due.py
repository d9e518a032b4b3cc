"""After a night: the fleet's own model is trained once its days are over and enough right homes are there.

Training is no part of the night that waits for its list: it runs when the list is out, and the next night takes the new
model if it won on held-out homes.
"""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.errors import InputError, NightFailed
from pipeline.core.settings import Settings
from pipeline.scoring.model_file import CARD
from pipeline.storage.layout import own_model_folder
from pipeline.storage.object_url import object_url

SEED = 7


def is_due(out: Path, scores: pl.DataFrame, as_of: date, *, settings: Settings) -> bool:
    """Return whether the fleet's own model should be trained after the night `as_of`.

    Parameters
    ----------
    out
        OUT of the nights. One in an object store is trained by the command only.
    scores, as_of
        site_scores of the newest night, and that night.
    settings
        [own_fleet] train_every_days (0: never by itself) and what a fleet needs to learn from.
    """
    own_fleet = settings.own_fleet
    if not own_fleet.train_every_days or object_url(out):
        return False
    has_nights = pl.col("nights") >= settings.verdict.min_nights
    if scores.filter(has_nights, pl.col("likelihood") < own_fleet.looks_sound).height < own_fleet.min_homes:
        return False
    last = last_trained_on(own_model_folder(out))
    return last is None or (as_of - last).days >= own_fleet.train_every_days


def train_if_due(lake: Path, out: Path, run: Path, *, as_of: date, settings: Settings) -> str | None:
    """Train the fleet's own model after this night where its days are over; return one line on it, None: not due.

    Parameters
    ----------
    lake, out, settings
        Of the nights.
    run, as_of
        The folder of the night that was published, and that night.
    """
    if not settings.own_fleet.train_every_days:
        return None
    scores = pl.read_parquet(run / "site_scores.parquet", columns=["likelihood", "nights"], glob=False)
    return train_after_night(lake, out, settings) if is_due(out, scores, as_of, settings=settings) else None


def last_trained_on(folder: Path) -> date | None:
    """Return the newest day that the model in `folder` was trained with; None where there is none that says so."""
    try:
        card = json.loads((folder / CARD).read_text(encoding="utf-8"))
        return date.fromisoformat(card["recipe"]["as_of"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def train_after_night(lake: Path, out: Path, settings: Settings) -> str:
    """Train the fleet's own model, keep it in OUT/model, and return one line on how it compared.

    What hinders a training is said in that line and fails nothing: the night is published.
    """
    from pipeline.learning.train_fleet import train_own
    from pipeline.scoring.model_file import save_model
    from pipeline.storage.output_location import keep_model

    try:
        model = train_own(lake, out, settings, seed=SEED)
        keep_model(out, settings, lambda folder: save_model(model, folder))
    except (InputError, NightFailed) as error:
        return f"the fleet's own model was not trained: {error}"
    result = model.against_shipped
    if result["is_better"]:
        return f"the fleet's own model beats the shipped one and is taken from the next night on: {result['why']}"
    return f"the fleet's own model stays aside: {result['why']}"
