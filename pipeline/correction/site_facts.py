"""What a correction must know of a home from its record."""

from __future__ import annotations

import polars as pl

from pipeline.features.window_features import site_fact


def site_facts(sites: pl.DataFrame) -> pl.DataFrame:
    """Return of each home `site_id`, `layout.OF_EPISODE`, `pv_kw`, `longitude` [degrees] and `commissioned_on`.

    `is_upstream` says whether the CTs see the solar power, as declared; null where nobody says.
    """
    facts = site_fact(sites).select(
        "site_id", "service", "is_added_back", "has_battery", "pv_kw", is_upstream="is_declared_upstream"
    )
    return facts.join(
        sites.select("site_id", "longitude", "commissioned_on"),
        on="site_id",
        how="left",
        maintain_order="left",
    )
