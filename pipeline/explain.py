"""One home's story out of the latest published run."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.conform import nearest
from pipeline.errors import InputError
from pipeline.evidence import all_pieces, weigh
from pipeline.faults import CATALOGUE
from pipeline.model_choice import choose_model
from pipeline.out_place import read_out
from pipeline.runcard import fault_cards
from pipeline.scoring import Scored
from pipeline.settings import Settings
from pipeline.site_weight import site_weights
from pipeline.story import tell_home


def explain_home(site: str, out: Path, settings: Settings, model_folder: Path | None = None) -> str:
    """Return the page of text for `nightclamp explain SITE`.

    Raises
    ------
    InputError
        No run is published in `out`, or it doesn't know the site.
    """
    with read_out(out, settings) as held:
        return _explained(site, held.local, settings, model_folder)


def _explained(site: str, out: Path, settings: Settings, model_folder: Path | None) -> str:
    latest = out / "latest"
    if not (latest / "site_scores.parquet").is_file():
        raise InputError(f"{out}: no published run; run `nightclamp nightly LAKE --out {out}` first")
    scores = pl.read_parquet(latest / "site_scores.parquet", glob=False)
    row = scores.filter(pl.col("site_id") == site)
    if row.is_empty():
        raise InputError(f"{site}: not a home of the run in {out}{nearest(site, scores['site_id'])}")
    signals = pl.read_parquet(latest / "site_signal.parquet", glob=False).filter(pl.col("site_id") == site)
    pieces = tuple(piece.name for _, piece in all_pieces(CATALOGUE))
    scored = Scored(row, signals, weigh(signals, CATALOGUE))
    model, _ = choose_model(model_folder, out, pieces)
    weights = site_weights(scored, [site], model, CATALOGUE, settings)

    def own_rows(table: str) -> pl.DataFrame:
        return pl.read_parquet(latest / f"{table}.parquet", glob=False).filter(pl.col("site_id") == site)

    def own_row(table: str) -> dict[str, object] | None:
        rows = own_rows(table)
        return rows.row(0, named=True) if rows.height else None

    card = fault_cards().get(row["likely_fault"][0] or "")
    return tell_home(
        site, row.row(0, named=True), weights, own_row("revisit_list"), own_row("standing") or {}, card,
        own_rows("home_story"),
    )  # fmt: skip
