"""Daylight: what the readings do while the sun is up and without it, and the production channel itself."""

from __future__ import annotations

import polars as pl

from pipeline.core.number_text import number
from pipeline.core.percent_text import percent
from pipeline.probes.leg_text import (
    NOT_KNOWN,
    Row,
    known_legs,
    share_of,
    signed,
    together,
    value_of,
)
from pipeline.probes.probe import (
    Probe,
    Quantity,
    columns_of_lines,
    home_quantity,
    leg_quantity,
    watt_quantity,
    watts,
)

_RATED_W = pl.when(pl.col("pv_kw") > 0).then(pl.col("pv_kw") * 1000)

_TIED = 0.3  # correlation from which a leg goes with PV or against it
_SELDOM = 0.01  # share of intervals
_OFTEN = 0.05
_FROM_NOON_H = 3.0


def _tell_daylight(row: Row) -> str:
    ties = known_legs(row, "pv_corr_{}")
    if not ties:
        return NOT_KNOWN
    right = value_of(row, "slope_expected")
    expected = "not in the site record" if right is None else "below 0" if right < 0 else "near 0 or above"
    is_at_loads = right == 0
    below, dark = (
        [(leg, value_of(row, column.format(leg)) or 0.0) for leg, _ in ties]
        for column in ("day_{}_negative_share", "zero_{}_dark_share")
    )
    correlation = f"(correlation {{}}, right is {expected})"
    findings = [
        ([(leg, signed(tie)) for leg, tie in ties if right is not None and right < 0 and tie > _TIED],
         f"rises with PV by day {correlation}", f"rise with PV by day {correlation}"),
        ([(leg, signed(tie)) for leg, tie in ties if is_at_loads and tie < -_TIED],
         f"falls as PV rises {correlation}", f"fall as PV rises {correlation}"),
        ([(leg, percent(share)) for leg, share in below if is_at_loads and share > _SELDOM],
         "reads below zero in {} of daylight intervals (right is never)",
         "read below zero in {} of daylight intervals (right is never)"),
        ([(leg, percent(share)) for leg, share in dark if share > _OFTEN],
         "reads zero in {} of intervals without sun (right is hardly ever)",
         "read zero in {} of intervals without sun (right is hardly ever)"),
    ]  # fmt: skip
    said_of: dict[str, list[str]] = {}
    for numbers, one, two in findings:
        if numbers:
            said = (one if len(numbers) == 1 else two).format(together([number for _, number in numbers]))
            said_of.setdefault(together([leg.upper() for leg, _ in numbers]), []).append(said)
    if said_of:
        return ", ".join(f"{legs} {together(said)}" for legs, said in said_of.items())
    said = together([f"{leg.upper()} {signed(tie)}" for leg, tie in ties])
    return f"by day the correlation with PV is {said}, right is {expected}"


def _tell_production(row: Row) -> str:
    noon_h, live = value_of(row, "pv_noon_h"), value_of(row, "pv_dark_live_share")
    in_dark = value_of(row, "pv_dark_share")
    if live is not None and (noon_h is None or live > _OFTEN):
        return f"production is live {share_of(live, 'intervals without sun')} (right is never)"
    if noon_h is None:
        return NOT_KNOWN
    hours = f"{number(abs(noon_h), 1)} h {'after' if noon_h > 0 else 'before'} solar noon"
    when = "at solar noon" if abs(noon_h) < 0.05 else hours
    dark = "" if in_dark is None else f", {percent(in_dark) if in_dark > 0 else 'none'} of it without sun"
    far = "" if abs(noon_h) < _FROM_NOON_H else " (far from it: the clock, or another channel)"
    return f"production is centred {when}{far}{dark} (right is near noon and none)"


DAYLIGHT = Probe(
    "daylight",
    "Day against night",
    (
        leg_quantity("negative_share", "day_{}_negative_share", "high", floor=0.002),
        leg_quantity("pv_correlation", "pv_corr_{}"),
        leg_quantity("sky_correlation", "sky_corr_{}"),
        leg_quantity("zero_in_dark_share", "zero_{}_dark_share", "high", floor=0.002),
        watt_quantity("dark_size", "dark_{}_size_w"),
        Quantity("energy", watts("{}_kwh_day", 0.5), "leg", unit="asinh(kWh/0.5)", floor=0.05),
        home_quantity("balanced_share", "balanced_share"),
        leg_quantity("gain", "gain_{}", is_compared=False),
    ),
    _tell_daylight,
    (
        *columns_of_lines("pv_corr_{}", "day_{}_negative_share", "zero_{}_dark_share"), "slope_expected",
    ),
    pl.col("pv_corr_l1").is_not_null(),
)  # fmt: skip

# By the clock of the sun, dark by night, as large as the array.
PRODUCTION = Probe(
    "production",
    "Production channel",
    (
        home_quantity("sky_correlation", "sky_corr_pv"),
        home_quantity("noon", "pv_noon_h", unit="h"),
        home_quantity("dark_share", "pv_dark_share", floor=0.002),
        home_quantity("alive_in_dark_share", "pv_dark_live_share", "high", floor=0.002, decides=0.6),
        Quantity("peak_of_rating", lambda _: pl.col("pv_max_w") / _RATED_W),
        Quantity("hours_of_rating", lambda _: 1000 * pl.col("pv_kwh_day") / _RATED_W, unit="h"),
    ),
    _tell_production,
    ("pv_noon_h", "pv_dark_share", "pv_dark_live_share"),
    pl.col("pv_noon_h").is_not_null(),
)  # fmt: skip
