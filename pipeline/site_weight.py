"""Why a home is suspected: the prior and what each piece of evidence adds to its likely fault, as rows of a table."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.classifier import Model
from pipeline.evidence import all_pieces
from pipeline.fault import Fault, Piece
from pipeline.scoring import Scored
from pipeline.settings import Settings
from pipeline.telling import sentences

Float = NDArray[np.float64]
SCHEMA = pl.Schema(
    {
        "site_id": pl.String, "ordinal": pl.Int32, "piece": pl.String, "label": pl.String, "state": pl.String,
        "value": pl.Float64, "weight": pl.Float64, "sentence": pl.String,
    }
)  # fmt: skip
SUPPORTS, AGAINST, CANNOT_TELL = "supports", "against", "cannot tell"


def site_weights(
    scored: Scored, homes: list[str], model: Model, catalogue: Mapping[str, Fault], settings: Settings
) -> pl.DataFrame:
    """Return table site_weight for these homes: the prior and one row a piece that adds to the likely fault.

    Columns site_id, ordinal, piece, label, state, value, weight [log odds, fault against sound], sentence; the homes
    in the order given, those without data or a likely fault left out.
    """
    likely = scored.scores.select("site_id", "likely_fault").drop_nulls()
    known = (
        pl.DataFrame({"site_id": homes}, schema={"site_id": pl.String})
        .join(scored.signals.select("site_id").with_row_index("at"), on="site_id", maintain_order="left")
        .join(likely, on="site_id", maintain_order="left")
    )
    if known.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    at, names = known["at"].to_numpy(), known["likely_fault"]
    values = scored.weighed.values[at]
    start, added = model.against_sound(values, names.to_list(), model.rate(settings.verdict.base_rate))
    order = np.argsort(-np.abs(added), axis=1, kind="stable")
    ordinal = np.empty_like(order)
    np.put_along_axis(ordinal, order, np.arange(1, added.shape[1] + 1)[None, :], axis=1)
    prior = pl.DataFrame(
        {
            "home": np.arange(at.size), "ordinal": np.zeros(at.size, dtype=np.int64), "piece": "prior",
            "label": "Before looking", "state": np.where(start > 0, SUPPORTS, AGAINST),
            "value": None, "weight": start,
            "sentence": "share of homes with " + names.str.replace_all("_", " ", literal=True) + " before any evidence",
        }
    )  # fmt: skip
    signals = scored.signals[at.tolist()]
    pieces = [piece for _, piece in all_pieces(catalogue)]
    parts = [
        _piece_rows(piece, ordinal[:, column], values[:, column], added[:, column], signals)
        for column, piece in enumerate(pieces)
    ]
    rows = pl.concat([prior.cast(parts[0].schema), *parts]).sort("home", "ordinal")  # type: ignore[arg-type]
    site = known["site_id"].gather(rows["home"])
    return rows.with_columns(site.alias("site_id")).select(
        pl.col(name).cast(kind) for name, kind in SCHEMA.items()
    )


def _piece_rows(
    piece: Piece, ordinal: NDArray[np.int64], value: Float, added: Float, signals: pl.DataFrame
) -> pl.DataFrame:
    """Return the piece's row of every home."""
    is_silent = np.isnan(value)
    not_so = f"Not so: {piece.label[0].lower()}{piece.label[1:]}"
    told = pl.Series(sentences(piece.sentence, signals), dtype=pl.String)
    silent = pl.Series(is_silent)
    return pl.DataFrame({"home": np.arange(value.size), "ordinal": ordinal, "piece": piece.name}).with_columns(
        pl.when(pl.Series(value < 0.5)).then(pl.lit(not_so)).otherwise(pl.lit(piece.label)).alias("label"),
        pl.when(silent).then(pl.lit(CANNOT_TELL)).when(pl.Series(added > 0)).then(pl.lit(SUPPORTS))
        .otherwise(pl.lit(AGAINST)).alias("state"),
        pl.Series("value", value).fill_nan(None),
        pl.Series("weight", added),
        pl.when(silent).then(pl.lit("no data for this")).otherwise(told).alias("sentence"),
    )  # fmt: skip
