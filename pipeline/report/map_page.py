"""The map of areas and homes, drawn from coordinates alone: listed homes on top of all, safety calls marked."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.core.contract import SAFETY
from pipeline.core.glossary import FIX_BY
from pipeline.report import words
from pipeline.report.fleet_map import WIDTH, flat_map
from pipeline.report.home_groups import home_group
from pipeline.report.home_lines import with_line_counts
from pipeline.report.report_input import FaultCard, ReportInput

MOST_DOTS = 1500  # above, homes are counted in squares of a grid
MOST_LISTED = 500
MOST_AREAS = 60  # names on the map; the table has all
CELLS = 50  # squares across the map
_LETTER_UNITS, _LINE_UNITS = 11.0, 24.0
_LABEL_MOVES = (0, 1, -1, 2, -2)  # lines down or up from the middle where another name stands there


def map_context(night: ReportInput) -> dict[str, Any]:
    """Return the template values of the page."""
    homes = _homes(night)
    known = homes.drop_nulls(["latitude", "longitude"])
    return {
        "homes": homes.height,
        "without_place": homes.height - known.height,
        "areas": _areas(homes),
        "picture": _picture(known, night.faults) if known.height else None,
    }


def _homes(night: ReportInput) -> pl.DataFrame:
    """Return every home with its place, its mark ("safety", "visit", "office" or null) and its words."""
    listed = night.revisit_list.select("site_id", "rank", "fix_by", "suspected_fault", "leg", "likelihood")
    scores = with_line_counts(night.site_scores, night.sites).select(
        "site_id", "area", "line_count", group=home_group()
    )
    places = night.sites.select("site_id", "latitude", "longitude")
    is_place = pl.col("latitude").is_finite() & pl.col("longitude").is_finite()
    return (
        scores.join(places, on="site_id", how="left")
        .join(listed, on="site_id", how="left")
        .with_columns(
            pl.when(is_place).then(pl.col("latitude", "longitude")),
            mark=pl.when(pl.col("group") == SAFETY).then(pl.lit(SAFETY)).otherwise("fix_by"),
        )
        .sort("site_id")
    )


def _areas(homes: pl.DataFrame) -> list[dict[str, Any]]:
    is_mark = {mark: pl.col("mark") == mark for mark in (SAFETY, *FIX_BY)}
    return (
        homes.group_by("area")
        .agg(
            pl.len().alias("homes"),
            *(is_it.fill_null(False).sum().alias(mark) for mark, is_it in is_mark.items()),
            without_place=pl.col("latitude").is_null().sum(),
        )
        .sort("visit", "homes", "area", descending=[True, True, False], nulls_last=True)
        .to_dicts()
    )


def _picture(known: pl.DataFrame, faults: Mapping[str, FaultCard]) -> dict[str, Any]:
    flat = flat_map(known)
    placed = flat.placed(known)
    marked = placed.drop_nulls("mark")
    shown = pl.concat(
        [marked.filter(pl.col("mark") == SAFETY), marked.filter(pl.col("mark") != SAFETY).sort("rank")]
    )
    others = placed.filter(pl.col("mark").is_null())
    is_counted = others.height > MOST_DOTS
    bar_km = flat.bar_km()
    return {
        "width": WIDTH,
        "height": flat.height,
        "dots": [] if is_counted else others.select("site_id", "x", "y", "group").to_dicts(),
        "squares": _squares(others) if is_counted else [],
        "square": WIDTH / CELLS,
        "marks": [
            row | {"told": _told(row, faults)}
            for row in shown.head(MOST_LISTED).reverse().iter_rows(named=True)
        ],
        "marks_left_off": max(0, marked.height - MOST_LISTED),
        "labels": _labels(placed),
        "bar_units": round(bar_km / flat.km_a_unit, 1),
        "bar_told": f"{bar_km:g} km",
    }


def _squares(others: pl.DataFrame) -> list[dict[str, Any]]:
    """Return the squares of the grid that hold homes: middle, side (its area goes with the count) and count."""
    side = WIDTH / CELLS
    counted = others.group_by(column=(pl.col("x") / side).floor(), row=(pl.col("y") / side).floor()).len(
        "homes"
    )
    most = counted["homes"].max()
    size = ((pl.col("homes") / pl.lit(most)).sqrt() * side).clip(lower_bound=2.0)
    return (
        counted.with_columns(size=size.round(1))
        .with_columns(
            x=((pl.col("column") + 0.5) * side - pl.col("size") / 2).round(1),
            y=((pl.col("row") + 0.5) * side - pl.col("size") / 2).round(1),
        )
        .sort("row", "column")
        .select("x", "y", "size", "homes")
        .to_dicts()
    )


def _told(row: dict[str, Any], faults: Mapping[str, FaultCard]) -> str:
    """Return what a marked home's tooltip says."""
    where = f"{row['site_id']}, {row['area'] or 'no area'}"
    listed = ""
    if row["rank"] is not None:
        suspicion = words.suspicion(row["suspected_fault"], row["leg"], faults, line_count=row["line_count"])
        any_fault = words.percent(row["likelihood"])
        listed = f"rank {row['rank']}, {FIX_BY[row['fix_by']]}: {suspicion}, {any_fault} any fault"
    return ". ".join(filter(None, (where, "Safety call" if row["mark"] == SAFETY else "", listed)))


def _labels(placed: pl.DataFrame) -> list[dict[str, Any]]:
    """Return the areas' names at the middle of their homes, the largest first; one that would overlap is left out."""
    areas = (
        placed.drop_nulls("area")
        .group_by("area")
        .agg(pl.col("x").median().round(1), pl.col("y").median().round(1), pl.len().alias("homes"))
        .sort("homes", "area", descending=[True, False])
        .head(MOST_AREAS)
    )
    labels: list[dict[str, Any]] = []
    for row in areas.iter_rows(named=True):
        half = len(row["area"]) * _LETTER_UNITS / 2
        x = round(min(max(row["x"], half), max(WIDTH - half, half)), 1)
        for moved in _LABEL_MOVES:
            y = round(row["y"] + moved * _LINE_UNITS, 1)
            apart = [
                abs(x - other["x"]) > half + other["half"] or abs(y - other["y"]) >= _LINE_UNITS
                for other in labels
            ]
            if all(apart):
                labels.append({"area": row["area"], "x": x, "y": y, "half": half})
                break
    return labels
