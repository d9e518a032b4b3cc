"""Days of statistics -> one row a home: what the physics says over the home's span, beside the register."""

from __future__ import annotations

from datetime import date

import duckdb
import polars as pl

from pipeline.core import sql_runner
from pipeline.core.settings import Settings
from pipeline.features.aggregates import HomeDays, site_window
from pipeline.features.line_signals import LineHomes, pair_rows, share_of_first_two, with_rows
from pipeline.features.site_share import site_share
from pipeline.features.utility_meter.evidence import EVIDENCE
from pipeline.features.utility_meter.line_evidence import pair_evidence
from pipeline.features.utility_meter.window import METER_COLUMNS, with_file_meters

WINDOW_TABLES = ("site_window_fit", "site_feature")


def site_fact(sites: pl.DataFrame) -> pl.DataFrame:
    """Return what the evidence reads of the register, one row a site.

    An empty `service` is taken as 120/240; production counts as added back only where the register also says
    that the CTs see it (a source adds nothing back to a reading that carries no production).
    """
    return sites.select(
        "site_id",
        pl.col("service").fill_null("120/240"),
        pl.col("ct_sees_pv").alias("is_declared_upstream"),
        (pl.col("pv_added_back").fill_null(False) & pl.col("ct_sees_pv").fill_null(True)).alias(
            "is_added_back"
        ),
        pl.col("has_battery").fill_null(False),
        pl.col("cts_per_leg").cast(pl.Float64),
        pl.col("lead_extended"),
        pl.col("pv_kw").cast(pl.Float64),
        "ct_location",
    )


def site_signals(
    con: duckdb.DuckDBPyConnection,
    days: HomeDays,
    span: pl.DataFrame,
    *,
    sites: pl.DataFrame,
    settings: Settings,
    meters: pl.DataFrame | None = None,
    running: date | None = None,
    lines: HomeDays | None = None,
) -> pl.DataFrame:
    """Return table site_signal (see sql/site_signal.sql) for the homes of `span` that have rows.

    Columns that only homes with three lines have (`line_pairs.is_line_column`, `pv_share_l1` and so on) are there
    where there is such a home.

    Parameters
    ----------
    con
        Runs the queries.
    days
        The homes' days.
    span
        `site_id`, `from_on`, `to_on`: the days that speak for each home.
    sites
        The register, every contract column present.
    settings
        Section [feature] is used.
    meters
        Table EVIDENCE of the homes whose meter is in files of the utility; None: of none.
    running
        The day that isn't over, where `days` has rows of it.
    lines
        The days of the pairs of homes with three lines (`line_signals.line_days`).
    """
    params = settings.feature.model_dump()
    meters = pl.DataFrame(schema=EVIDENCE) if meters is None else meters
    merged = with_file_meters(site_window(days, span, settings.feature, running=running), meters)
    sources = merged.select("site_id", "meter_by", *METER_COLUMNS, "is_dark_only")
    facts, shares = site_fact(sites), site_share(sites)
    merged = merged.drop(sources.columns[1:])
    third = None
    if lines is not None:
        lined = with_file_meters(
            site_window(lines, pair_rows(span, lines.homes), settings.feature, running=running),
            pair_evidence(meters),
        )
        third = LineHomes.of(merged, lined, facts, sites=sites) if lined.height else None
    shares = with_rows(shares, share_of_first_two(merged, facts, sites=sites, third=third))
    if third is not None:
        shares, facts = with_rows(shares, third.shares), with_rows(facts, third.facts)
        merged = third.all_windows(merged)
    inputs = {"site_window": merged, "site_fact": facts, "site_share": shares}
    for name, frame in inputs.items():
        con.register(name, frame.to_arrow())
    for table in WINDOW_TABLES:
        sql_runner.build(con, table, params)
    signals = sql_runner.query(con, "site_signal", params)
    for table in WINDOW_TABLES:
        con.execute(f'DROP TABLE "{table}"')
    for name in inputs:
        con.unregister(name)
    if third is not None:
        signals = third.one_row_a_home(signals)
    # Hours without production say nothing of how much of it the meter sees.
    return (
        signals.join(sources, on="site_id", how="left", maintain_order="left")
        .with_columns(meter_probe=pl.when(~pl.col("is_dark_only").fill_null(False)).then("meter_probe"))
        .drop("is_dark_only")
        .sort("site_id")
    )
