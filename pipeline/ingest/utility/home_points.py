"""Which home a usage point of a file is: by the register meters, or by its own name where that is a home's id."""

from __future__ import annotations

import polars as pl

# A usage point goes by its Atom id, the whole link of its entry (or the name in a plain file), or the link's last part.
_NAMES = ("by_id", "by_link", "by_end")
_END = r"(?:^|/)UsagePoint/([^/]+)$"
_POINT = ("usage_point", "usage_point_id")


def homes_of_points(points: pl.DataFrame, meters: pl.DataFrame, site_ids: pl.Series) -> pl.DataFrame:
    """Return site_id and kind of each usage point, or `why` it has no home.

    Parameters
    ----------
    points
        Distinct usage_point and usage_point_id; rows without either have no home.
    meters
        The register: usage_point, site_id, kind.
    site_ids
        The homes' ids; a usage point that is called so is that home's, of unknown kind.

    Returns
    -------
    pl.DataFrame
        usage_point, usage_point_id, site_id, kind, why.
    """
    named = points.with_columns(
        by_id=pl.col("usage_point_id"),
        by_link=pl.col("usage_point"),
        by_end=pl.col("usage_point").str.extract(_END, 1),
    )
    own = pl.DataFrame({"usage_point": site_ids, "site_id": site_ids}).with_columns(
        kind=pl.lit(None, dtype=pl.String)
    )
    own = own.join(meters, on="usage_point", how="anti")
    register = pl.concat(
        [meters.select("usage_point", "site_id", "kind"), own.select("usage_point", "site_id", "kind")]
    )
    register = register.with_columns(
        name=pl.col("usage_point").str.to_lowercase().str.strip_prefix("urn:uuid:")
    )
    exact = register.select(pl.col("usage_point").alias("name"), "site_id", "kind")
    ids = register.select("name", "site_id", "kind").unique("name", keep="none")
    for name in _NAMES:
        known = ids if name == "by_id" else exact
        known = known.rename({"site_id": f"{name}_site", "kind": f"{name}_kind"})
        named = named.join(known, left_on=name, right_on="name", how="left", maintain_order="left")
    found = named.with_columns(
        site_id=pl.coalesce(f"{name}_site" for name in _NAMES),
        kind=pl.coalesce(
            pl.when(pl.col(f"{name}_site").is_not_null()).then(pl.col(f"{name}_kind").fill_null(""))
            for name in _NAMES
        ).replace("", None),
        is_by_end=pl.col("by_id_site").is_null() & pl.col("by_link_site").is_null(),
    )
    # "UsagePoint/01" may be the first meter of anybody: two of them that go by 01 alone are nobody's.
    identity = pl.coalesce("usage_point_id", "usage_point")
    is_shared = pl.col("is_by_end") & (identity.filter(pl.col("is_by_end")).n_unique().over("by_end") > 1)
    shown = pl.col("usage_point")
    why = pl.coalesce(
        pl.when(shown.is_null()).then(pl.lit("no usage point is known")),
        pl.when(pl.col("site_id").is_null()).then(
            pl.format("unknown home: usage point '{}' is in no row of meters and is no site_id", shown)
        ),
        pl.when(is_shared).then(
            pl.format(
                "usage point '{}': several in the files end alike; name the whole link or id in meters", shown
            )
        ),
    )
    return found.with_columns(why=why).select(
        *_POINT,
        *(pl.when(pl.col("why").is_null()).then(pl.col(name)).alias(name) for name in ("site_id", "kind")),
        "why",
    )
