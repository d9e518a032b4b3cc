"""Readings and meter on one grid of hours: gaps, silent nights, shifts."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl
from metered_homes import START, Metered

from pipeline.features.utility_meter.series import home_hours, limit_to_dark, meter_series, net_power

HOME = Metered.drawn(4)


def test_quarter_hours_add_up_to_the_hour_only_where_all_four_are_there() -> None:
    rows = HOME.meter().filter(pl.col("interval_start") != START + timedelta(hours=5, minutes=15))
    meter, hours = meter_series(rows), home_hours(HOME.hours())
    assert meter is not None

    net, is_known = net_power(meter, hours, np.array([0]))

    assert np.flatnonzero(~is_known[0]).tolist() == [5]
    truth = (HOME.l1_w + HOME.l2_w - HOME.pv_w).reshape(-1, 4).mean(axis=1)
    assert np.abs(net[0] - truth)[is_known[0]].max() <= 4 * 0.5 + 1e-6


def test_a_shift_moves_the_meter_and_what_falls_off_is_not_known() -> None:
    meter, hours = meter_series(HOME.meter(late_min=30)), home_hours(HOME.hours())
    assert meter is not None

    net, is_known = net_power(meter, hours, np.array([0, 30]))

    assert is_known.sum(axis=1).tolist() == [95, 96]
    assert np.abs(net[1] - (HOME.l1_w + HOME.l2_w - HOME.pv_w).reshape(-1, 4).mean(axis=1)).max() < 2.1


def test_hours_of_the_clock_that_never_report_production_have_none_and_other_gaps_are_not_known() -> None:
    dark = pl.col("hour_start").dt.hour() < 4
    gap = pl.col("hour_start") == datetime(2026, 5, 2, 12)
    rows = HOME.hours().with_columns(pv_w=pl.when(~(dark | gap)).then("pv_w"))

    hours = home_hours(rows)

    assert hours.means[0, 2] == 0
    assert hours.is_whole[0]
    assert np.flatnonzero(~hours.is_whole).tolist() == [36]


def test_an_hour_cut_short_is_not_whole() -> None:
    rows = HOME.hours().with_columns(
        minutes=pl.when(pl.int_range(pl.len()) == 7).then(45).otherwise("minutes")
    )

    assert np.flatnonzero(~home_hours(rows).is_whole).tolist() == [7]


def test_in_the_dark_no_hour_with_production_counts() -> None:
    hours = limit_to_dark(home_hours(HOME.hours()), 15.0, 30.0)

    assert hours.is_whole.sum() == (HOME.pv_w.reshape(-1, 4).mean(axis=1) <= 15).sum()
    assert (hours.means[:, 2] == 0).all()


def test_a_meter_without_import_is_no_meter() -> None:
    assert meter_series(HOME.meter().with_columns(import_wh=pl.lit(None, pl.Float64))) is None
