"""Where a home stands under the sun: its coordinates, or the middle of its time zone when it has none.

The sun's own position is SQL: sql/sun_time.sql a time, macro `sun_sin_elevation` a row.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from functools import cache
from importlib.resources import files
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import polars as pl

_DEGREES_AN_HOUR = 15.0
_OFFSET_YEAR = 2025  # any recent one: a fixed year gives the same night tomorrow
_ISO_6709 = re.compile(r"([+-])(\d{2})(\d{2})(\d{2})?([+-])(\d{3})(\d{2})(\d{2})?")


def site_coordinates(sites: pl.DataFrame) -> pl.DataFrame:
    """Return one row a site: where it is, or where it is taken to be.

    A missing longitude becomes the middle of the time zone (its standard UTC offset times 15 degrees); a
    missing latitude becomes that of the zone's principal place. A zone without a place (or unknown, or empty)
    leaves both null: night then has to come from the PV alone.

    Parameters
    ----------
    sites
        `site_id`, `timezone` (IANA), `latitude` and `longitude` [degrees], all but the first may be null.

    Returns
    -------
    DataFrame
        `site_id`, `latitude` [degrees, north positive], `longitude` [degrees, east positive], `is_assumed`
        (true where either number comes from the time zone).
    """
    zones = sites.get_column("timezone").drop_nulls().unique().to_list()
    middles = pl.DataFrame(
        [(zone, *middle) for zone in zones if (middle := zone_middle(zone)) is not None],
        schema={"timezone": pl.String, "zone_latitude": pl.Float64, "zone_longitude": pl.Float64},
        orient="row",
    )
    latitude = pl.coalesce("latitude", "zone_latitude")
    longitude = pl.coalesce("longitude", "zone_longitude")
    is_placed = latitude.is_not_null() & longitude.is_not_null()
    return (
        sites.select(
            "site_id",
            pl.col("timezone").cast(pl.String),
            pl.col("latitude", "longitude").cast(pl.Float64),
        )
        .join(middles, on="timezone", how="left", maintain_order="left")
        .select(
            "site_id",
            pl.when(is_placed).then(latitude).alias("latitude"),
            pl.when(is_placed).then(longitude).alias("longitude"),
            (is_placed & (pl.col("latitude").is_null() | pl.col("longitude").is_null())).alias("is_assumed"),
        )
    )


def zone_middle(timezone: str) -> tuple[float, float] | None:
    """Return latitude [degrees north] and longitude [degrees east] to assume in a time zone, or None."""
    latitude = _place_latitudes().get(_aliases().get(timezone, timezone))
    if latitude is None:
        return None
    try:
        zone = ZoneInfo(timezone)
    except (ZoneInfoNotFoundError, ValueError):
        return None
    return latitude, _DEGREES_AN_HOUR * _standard_offset(zone) / timedelta(hours=1)


def _standard_offset(zone: ZoneInfo) -> timedelta:
    """Return the lesser of the winter and summer offset: Dublin calls its winter time the saving one."""
    offsets = (datetime(_OFFSET_YEAR, month, 1, tzinfo=zone).utcoffset() for month in (1, 7))
    return min(offset for offset in offsets if offset is not None)


@cache
def _place_latitudes() -> dict[str, float]:
    """Return the latitude [degrees] of every zone's principal place."""
    rows = (line.split("\t") for line in _zone_file("zone.tab") if not line.startswith("#"))
    latitudes: dict[str, float] = {}
    for row in rows:
        match = _ISO_6709.fullmatch(row[1])
        if match is None:
            continue
        sign, degrees, minutes, seconds = match.groups()[:4]
        size = int(degrees) + int(minutes) / 60 + int(seconds or 0) / 3600
        latitudes[row[2]] = -size if sign == "-" else size
    return latitudes


@cache
def _aliases() -> dict[str, str]:
    """Return the zone that an older name such as US/Mountain stands for (link lines: L target name)."""
    links = (line.split() for line in _zone_file("tzdata.zi") if line.startswith("L "))
    return {name: target for _, target, name in links if name not in _place_latitudes()}


def _zone_file(name: str) -> list[str]:
    return files("tzdata").joinpath("zoneinfo", name).read_text(encoding="utf-8").splitlines()
