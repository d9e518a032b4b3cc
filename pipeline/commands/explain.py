"""One home's story out of the latest published run."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl

from pipeline.commands.explain_text import tell_home
from pipeline.core.errors import InputError
from pipeline.core.settings import Settings
from pipeline.ingest.normalize import nearest
from pipeline.report.fault_cards import fault_cards
from pipeline.scoring.fleet_normal import normal_from
from pipeline.scoring.model_choice import choose_model
from pipeline.scoring.score_breakdown import site_weights
from pipeline.storage.output_location import read_out


def explain_home(site: str, out: Path, settings: Settings, *, model_folder: Path | None = None) -> str:
    """Return the page of text for `nightclamp explain SITE`.

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
        return _explained(site, location.local, settings, model_folder)


def _explained(site: str, out: Path, settings: Settings, model_folder: Path | None) -> str:
    latest = out / "latest"
    if not (latest / "site_scores.parquet").is_file():
        raise InputError(f"{out}: no published run; run `nightclamp nightly LAKE --out {out}` first")
    scores = pl.read_parquet(latest / "site_scores.parquet", glob=False)
    row = scores.filter(pl.col("site_id") == site)
    if row.is_empty():
        raise InputError(f"{site}: not a home of the run in {out}{nearest(site, scores['site_id'])}")
    signals = pl.read_parquet(latest / "site_signal.parquet", glob=False).filter(pl.col("site_id") == site)
    model, _ = choose_model(model_folder, out)
    run = json.loads((latest / "run.json").read_text(encoding="utf-8"))
    fleet = normal_from(
        pl.read_parquet(latest / "fleet_normal.parquet", glob=False), run["base_rate"], model.mix()
    )
    weights = site_weights(row, signals, [site], fleet=fleet, model=model)

    def own_rows(table: str) -> pl.DataFrame:
        return pl.read_parquet(latest / f"{table}.parquet", glob=False).filter(pl.col("site_id") == site)

    def own_row(table: str) -> dict[str, object]:
        rows = own_rows(table)
        return rows.row(0, named=True) if rows.height else {}

    call = next(own_rows("safety_call").filter("is_open").iter_rows(named=True), None)
    card, standing = fault_cards().get(row["likely_fault"][0] or ""), own_row("standing")
    if card is None or "reason" not in standing:
        raise InputError(
            f"{out}: its run is of another version; run `nightclamp nightly LAKE --out {out}` first"
        )
    return tell_home(
        site,
        row.row(0, named=True),
        weights,
        listed=own_row("revisit_list") or None,
        standing=standing,
        card=card,
        events=own_rows("home_story"),
        call=call,
    )
