"""What a correction must know of a home from its record."""

from __future__ import annotations

import polars as pl

from pipeline.features.window_features import site_fact

ONE_LINE = "single"


def site_facts(sites: pl.DataFrame, three: pl.DataFrame) -> pl.DataFrame:
    """Return of each home `site_id`, `layout.OF_EPISODE`, `pv_kw`, `longitude` [degrees] and `commissioned_on`.

    `service` is that of the lines that are read: of `three` (`three_lines.services_of_three`), else of the record, and
    of a source that exports the sum of all lines one line. `is_upstream` says whether the CTs see the solar power, as
    declared; null where nobody says.
    """
    facts = site_fact(sites).select(
        "site_id", "service", "is_added_back", "has_battery", "pv_kw", is_upstream="is_declared_upstream"
    )
    summed = sites.select("site_id", is_summed=pl.col("lines_summed").fill_null(False))
    read = (
        pl.when(pl.col("is_summed").fill_null(False))
        .then(pl.lit(ONE_LINE))
        .otherwise(pl.coalesce("service_read", "service"))
    )
    facts = (
        facts.join(summed, on="site_id", how="left", maintain_order="left")
        .join(three.rename({"service": "service_read"}), on="site_id", how="left", maintain_order="left")
        .with_columns(service=read)
        .drop("is_summed", "service_read")
    )
    return facts.join(
        sites.select("site_id", "longitude", "commissioned_on"),
        on="site_id",
        how="left",
        maintain_order="left",
    )
