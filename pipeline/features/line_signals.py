"""Homes with three lines beside the others in the window: each of their pairs is worked out as a home of its own.

The rows of line_day are merged and go through the same SQL as all homes, under a name of the home and the pair. What
comes out is put into the home's one row; `line_pairs` says under which names.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import polars as pl

from pipeline.core.line_pairs import (
    OF_BOTH_PAIRS,
    PAIR_COLUMNS,
    PAIRS,
    SUM,
    VIEWS,
    line_columns,
    of_line,
    pair_column,
    pair_home,
    rows_of_pair,
    under_pair,
)
from pipeline.core.services import HIGH_FROM_V, THREE_LINE_SERVICES
from pipeline.core.sharding import WHOLE, Shard
from pipeline.features.aggregates import HomeDays
from pipeline.features.line_meter import joint_meter
from pipeline.features.pv_shares import home_shares
from pipeline.features.site_share import SITE_SHARE, share_of_pair, share_of_views

# What is said of the whole home: column of the home -> column of its sum, which is read as a one-line home.
_OF_SUM: Final = {
    "slope_days": "slope_days", "slope_sum": "slope_sum", "slope_sum_se": "slope_sum_se", "slope_am": "slope_am",
    "slope_am_se": "slope_am_se", "slope_pm": "slope_pm", "slope_pm_se": "slope_pm_se",
    "slope_scatter": "slope_scatter", "gain_sum": "gain_sum", "gain_sum_se": "gain_sum_se",
    "night_sum_w": "night_l1_w", "night_sum_low_w": "night_l1_low_w", "night_sum_high_w": "night_l1_high_w",
    "night_sum_negative_share": "night_sum_negative_share", "balanced_share": "balanced_share",
    "meter_energy_ratio": "meter_energy_ratio", "has_probe": "has_probe",
}  # fmt: skip


def line_days(files: Sequence[Path], shard: Shard = WHOLE) -> HomeDays | None:
    """Return the days that files of line_day hold of a shard's homes, each pair a home; None where there are none."""
    if not files:
        return None
    days = HomeDays.of(files, shard, home=pair_home(pl.col("pair")))
    return days if len(days.homes) else None


def pair_rows(frame: pl.DataFrame, homes: pl.Series) -> pl.DataFrame:
    """Return a frame's rows again for each pair of lines that is among `homes`, under the pair's name."""
    return pl.concat(under_pair(frame, view) for view in VIEWS).filter(
        pl.col("site_id").is_in(homes.implode())
    )


@dataclass(frozen=True)
class LineHomes:
    """Homes with three lines in a window, sorted: their own rows of site_window, and those of each pair.

    `facts`, `shares` are what tables site_fact and site_share have of the homes and of their pairs; `pv_shares` says
    which lines production feeds.
    """

    window: pl.DataFrame
    pairs: dict[str, pl.DataFrame]
    facts: pl.DataFrame
    shares: pl.DataFrame
    pv_shares: pl.DataFrame

    @classmethod
    def of(
        cls, merged: pl.DataFrame, lined: pl.DataFrame, facts: pl.DataFrame, *, sites: pl.DataFrame
    ) -> LineHomes:
        """Return the homes of `lined`.

        Parameters
        ----------
        merged, lined
            Table site_window of all homes, and of the pairs under their names.
        facts
            Table site_fact of all homes.
        sites
            The register.
        """
        pairs = {view: rows_of_pair(lined, view).sort("site_id") for view in VIEWS}
        homes = pairs["23"].select("site_id")
        window = homes.join(merged, on="site_id", maintain_order="left")
        own = homes.join(facts, on="site_id", maintain_order="left")
        own = own.with_columns(service=_service(own, window))
        third = pairs["23"].select(slope_l3="slope_l2", slope_l3_se="slope_l2_se", var_l3="var_l2")
        pv_shares = home_shares(_slopes(window, third, own, sites))
        all_facts = pl.concat([own, *(under_pair(own, view) for view in VIEWS)])
        return cls(window, pairs, all_facts, share_of_views(pv_shares), pv_shares)

    def all_windows(self, merged: pl.DataFrame) -> pl.DataFrame:
        """Return table site_window of all homes and of the pairs."""
        pairs = [under_pair(rows, view) for view, rows in self.pairs.items()]
        return pl.concat([merged, *(rows.select(merged.columns) for rows in pairs)])

    def one_row_a_home(self, signals: pl.DataFrame) -> pl.DataFrame:
        """Return table site_signal with one row a home; the pairs' are in the columns of homes with three lines."""
        homes = self.window.select("site_id")
        base = homes.join(signals, on="site_id", maintain_order="left")
        of = {"12": base}
        for view in VIEWS:
            of[view] = under_pair(homes, view).join(signals, on="site_id", maintain_order="left")
        is_behind = self.facts.head(homes.height)["is_declared_upstream"].fill_null(False).not_()
        meter = joint_meter(self.pairs, is_behind.cast(pl.Float64).to_numpy())
        columns = {
            **{of_line(name, "l3"): of["23"][of_line(name, "l2")] for name in line_columns(base.columns)},
            **{pair_column(name, pair): of[pair][name] for pair in PAIRS for name in PAIR_COLUMNS},
            **{name: of[SUM][source] for name, source in _OF_SUM.items()},
            **{name: meter[name] for name in meter.columns},
            **{name: self.pv_shares[name] for name in self.pv_shares.columns if name.startswith("pv_share_")},
            "is_clock_suspect": of["12"]["is_clock_suspect"] & of["23"]["is_clock_suspect"],
            **_larger(of),
        }
        least = pl.DataFrame([rows["zero_all_share"].alias(view) for view, rows in of.items()])
        three = base.with_columns(
            *(values.alias(name) for name, values in columns.items()), zero_all_share=least.min_horizontal()
        )
        pairs = pl.concat([under_pair(homes, view) for view in VIEWS])
        others = signals.join(pl.concat([homes, pairs]), on="site_id", how="anti")
        return pl.concat([others, three], how="diagonal_relaxed").sort("site_id")


def share_of_first_two(
    merged: pl.DataFrame, facts: pl.DataFrame, *, sites: pl.DataFrame, third: LineHomes | None
) -> pl.DataFrame:
    """Return table site_share of homes with a service of three lines whose third line is never read.

    Parameters
    ----------
    merged, facts
        Tables site_window and site_fact of all homes.
    sites
        The register.
    third
        The homes whose third line is read.
    """
    is_summed = pl.col("lines_summed").fill_null(False)
    homes = sites.filter(pl.col("service").is_in(THREE_LINE_SERVICES) & ~is_summed).select("site_id")
    if third is not None:
        homes = homes.join(third.window, on="site_id", how="anti")
    if homes.is_empty():
        return pl.DataFrame(schema=SITE_SHARE)
    window = homes.join(merged, on="site_id", maintain_order="left")
    own = window.select("site_id").join(facts, on="site_id", maintain_order="left")
    unread = pl.DataFrame({name: [None] * window.height for name in ("slope_l3", "slope_l3_se", "var_l3")})
    return share_of_pair(home_shares(_slopes(window, unread, own, sites)), "12", line_count=2)


def with_rows(table: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Return a table by home with `rows` instead of those of the same homes, and with those of other names."""
    others = table.join(rows, on="site_id", how="anti", maintain_order="left")
    return pl.concat([others, rows.select(others.columns)], how="vertical_relaxed")


def _slopes(
    window: pl.DataFrame, third: pl.DataFrame, own: pl.DataFrame, sites: pl.DataFrame
) -> pl.DataFrame:
    """Return what `home_shares` reads: slopes of legs 1 and 2, of line 3, and the homes' facts."""
    legs = [name for leg in ("l1", "l2") for name in (f"slope_{leg}", f"slope_{leg}_se", f"var_{leg}")]
    declared = window.select("site_id").join(
        sites.select("site_id", "pv_on"), on="site_id", how="left", maintain_order="left"
    )
    facts = [own["is_added_back"], own["pv_kw"], declared["pv_on"]]
    return window.select("site_id", *legs).hstack(third).hstack(facts)


def _service(own: pl.DataFrame, window: pl.DataFrame) -> pl.Series:
    """Return each home's service: the site record's, else the three-line one of its volts."""
    volts = (window["l1_v_sum"] / window["n_volt"]).fill_nan(None)
    by_volts = pl.when(volts > HIGH_FROM_V).then(pl.lit("230/400")).otherwise(pl.lit("120/208 three-phase"))
    is_named = pl.col("service").is_in(THREE_LINE_SERVICES)
    return own.select(pl.when(is_named).then("service").otherwise(by_volts).alias("service"))["service"]


def _larger(of: dict[str, pl.DataFrame]) -> dict[str, pl.Series]:
    """Return what a line shows beside another one, the larger of its two pairs, by column."""
    found = {}
    sides = {
        "l1": (("12", "l1"), ("31", "l2")),
        "l2": (("12", "l2"), ("23", "l1")),
        "l3": (("23", "l2"), ("31", "l1")),
    }
    for line, (one, other) in sides.items():
        for names in OF_BOTH_PAIRS:
            sizes = [of[pair][names[0].format(leg)].abs() for pair, leg in (one, other)]
            is_other = (sizes[1] > sizes[0]).fill_null(False) | sizes[0].is_null()
            for name in names:
                values = [of[pair][name.format(leg)] for pair, leg in (one, other)]
                found[name.format(line)] = values[1].zip_with(is_other, values[0])
    return found
