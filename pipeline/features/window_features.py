"""Days of statistics -> one row a home: what the physics says over the home's span, beside the register."""

from __future__ import annotations

from datetime import date

import duckdb
import polars as pl

from pipeline.core import sql_runner
from pipeline.core.services import SERVICES
from pipeline.core.settings import Settings
from pipeline.features.aggregates import HomeDays, site_window
from pipeline.features.line_signals import LineHomes, pair_rows
from pipeline.features.utility_meter.evidence import EVIDENCE
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


def site_share(facts: pl.DataFrame) -> pl.DataFrame:
    """Return how much of a watt of production each leg of a home with one or two lines sees, a row a home.

    `facts` is table site_fact. Columns `site_id`; `share_l1`, `share_l2`, `share_sum` [0..1], `share_fed` that of a leg
    which is fed; `lead_l1_deg`, `lead_l2_deg` [deg] by how much the current of production leads the leg's voltage;
    `line_count`. A home with three lines whose third never reads is taken as its first two.
    """
    is_one, is_three = (
        pl.col("service").is_in([name for name, service in SERVICES.items() if service.line_count == lines])
        for lines in (1, 3)
    )
    share = pl.when(is_one).then(1.0).when(is_three).then(1 / 3).otherwise(0.5)
    lead = pl.when(pl.col("service") == "120/208").then(30.0).otherwise(0.0)
    return facts.select(
        "site_id", share_l1=share, share_l2=share, share_sum=pl.when(is_one).then(1.0).otherwise(2 * share),
        share_fed=share, lead_l1_deg=lead, lead_l2_deg=-lead,
        line_count=pl.when(is_one).then(1).otherwise(2).cast(pl.Int32),
    )  # fmt: skip


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
    merged = with_file_meters(
        site_window(days, span, settings.feature, running=running),
        pl.DataFrame(schema=EVIDENCE) if meters is None else meters,
    )
    sources = merged.select("site_id", "meter_by", *METER_COLUMNS, "is_dark_only")
    facts = site_fact(sites)
    merged = merged.drop(sources.columns[1:])
    inputs = {"site_window": merged, "site_fact": facts, "site_share": site_share(facts)}
    third = None
    if lines is not None:
        lined = site_window(lines, pair_rows(span, lines.homes), settings.feature, running=running)
        third = LineHomes.of(merged, lined, facts, sites=sites) if lined.height else None
    if third is not None:
        inputs = {
            "site_window": third.all_windows(merged),
            "site_fact": third.put_into(facts, third.facts),
            "site_share": third.put_into(inputs["site_share"], third.shares),
        }
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
