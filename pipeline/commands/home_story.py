"""One home's story out of the latest published run, as a page of text or as data."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.commands.explain_text import tell_home
from pipeline.core.errors import InputError
from pipeline.core.line_words import lines_seen
from pipeline.core.settings import Settings
from pipeline.faults.fault_text import fault_title
from pipeline.ingest.column_names import nearest
from pipeline.report.fault_cards import cards_for, fault_cards
from pipeline.report.report_input import FaultCard
from pipeline.report.wiring_panel import wiring_panel
from pipeline.scoring.fleet_normal import normal_from
from pipeline.scoring.model_choice import choose_model
from pipeline.scoring.score_breakdown import site_weights
from pipeline.storage.output_location import read_out
from pipeline.worklist.taken_back import TAKEN_BACK
from pipeline.workorder.tables import read_latest
from pipeline.workorder.wirings import own_wirings, read_wirings

# Tables of a run that tell of a home.
_TABLES = (
    "site_scores", "site_signal", "fleet_normal", "revisit_list", "standing", "home_story", "safety_call",
)  # fmt: skip


@dataclass(frozen=True)
class HomeStory:
    """What the latest run says of a home: rows of its tables, weights as `site_weight`, the likeliest fault."""

    site_id: str
    as_of: date
    score: dict[str, Any]
    weights: pl.DataFrame
    listed: dict[str, Any] | None
    standing: dict[str, Any]
    card: FaultCard
    events: pl.DataFrame
    safety_call: dict[str, Any] | None
    wiring: pl.DataFrame | None = None

    def text(self) -> str:
        """Return the page of text."""
        return tell_home(
            self.site_id, self.score, self.weights,
            listed=self.listed, standing=self.standing, card=self.card, events=self.events,
            call=self.safety_call, wirings=wiring_panel(self.wiring, self.site_id),
        )  # fmt: skip

    def document(self) -> dict[str, Any]:
        """Return the same for `--json`.

        Keys: site_id, as_of, score, listed (null if it isn't), status, fault (the likeliest, in words), weights (one a
        probe, strongest first in the text), events, safety_call (null without an open one) and wiring (the likeliest
        first, of a home with three lines); the keys inside are the columns of site_scores, revisit_list, standing,
        site_weight, home_story, safety_call and wiring.
        """
        return {
            "site_id": self.site_id,
            "as_of": self.as_of,
            "score": self.score,
            "listed": self.listed,
            "status": self.standing,
            "fault": {**vars(self.card), "title": fault_title(self.card.name)},
            "weights": self.weights.to_dicts(),
            "events": self.events.sort("happened_on", "told_on", "what").to_dicts(),
            "safety_call": self.safety_call,
            "wiring": [] if self.wiring is None else self.wiring.to_dicts(),
        }


def read_home(site: str, out: Path, settings: Settings, *, model_folder: Path | None = None) -> HomeStory:
    """Return what the latest run says of a home.

    Parameters
    ----------
    site
        The site_id.
    out
        The OUT of `nightly`.
    settings
        All settings.
    model_folder
        The model that the night was given, if any.

    Raises
    ------
    InputError
        No run is published in `out`, or it doesn't know the site.
    """
    with read_out(out, settings) as location:
        return _read(site, location.local, model_folder)


def _read(site: str, out: Path, model_folder: Path | None) -> HomeStory:
    as_of, tables = read_latest(out, _TABLES)
    scores = tables["site_scores"]
    row = scores.filter(pl.col("site_id") == site)
    if row.is_empty():
        gone = tables["home_story"].filter(pl.col("site_id") == site, pl.col("what") == TAKEN_BACK)
        for night, told in gone.sort("told_on").tail(1).select("told_on", "told").iter_rows():
            raise InputError(f"{site}: not a home of the run in {out}; {night}: {told}")
        raise InputError(f"{site}: not a home of the run in {out}{nearest(site, scores['site_id'])}")

    def own_rows(table: str) -> pl.DataFrame:
        return tables[table].filter(pl.col("site_id") == site)

    def own_row(table: str) -> dict[str, Any]:
        rows = own_rows(table)
        return rows.row(0, named=True) if rows.height else {}

    model, _ = choose_model(model_folder, out)
    run = json.loads((out / "latest" / "run.json").read_text(encoding="utf-8"))
    fleet = normal_from(tables["fleet_normal"], run["base_rate"], model.mix())
    weights = site_weights(row, own_rows("site_signal"), [site], fleet=fleet, model=model)
    score = row.row(0, named=True)
    cards = cards_for(fault_cards(), lines_seen(score))
    card, standing = cards.get(score["likely_fault"] or ""), own_row("standing")
    if card is None or "reason" not in standing:
        raise InputError(
            f"{out}: its run is of another version; run `nightclamp nightly LAKE --out {out}` first"
        )
    call = next(own_rows("safety_call").filter("is_open").iter_rows(named=True), None)
    return HomeStory(
        site, as_of, score, weights, own_row("revisit_list") or None, standing, card,
        own_rows("home_story"), call, own_wirings(read_wirings(out), site),
    )  # fmt: skip
