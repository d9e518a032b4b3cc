"""Legs that were not seen: by the utility's meter less the others, else by what usually goes with the other of two."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.core.services import LINES
from pipeline.correction.layout import EMPTY, ESTIMATED
from pipeline.correction.meter_leg import UNKNOWN, MeterError, metered_leg
from pipeline.correction.other_leg import Pairs, expected_leg
from pipeline.correction.reading_facts import ReadingFacts

NOTHING_TELLS = "no utility meter, and no other leg to go by"
NOISE = "a disturbance that only the utility's meter could take out"
LEGS = LINES[:2]  # every row has their channels, also that of a home with one line
# What a fault may leave of a reading (`Fault.remains`) where the other leg tells, and where any witness is needed.
BY_OTHER_LEG = ("gaps", "nothing", "upstream share")
NEED_WITNESSES = (*BY_OTHER_LEG, "noisy")
FIELDS = ("value", "low", "high", "common", "scatter")


@dataclass(frozen=True)
class Witnesses:
    """What tells of a leg that wasn't seen.

    `meter` is the meter's error in this fleet, `by_home` how a home's leg (site_id, leg) goes with its other one,
    `by_service` how legs do in general. `production_factor` is by home what its production channel reports of a watt
    (`faults.types.Repair`), all that are possible; `facts` how its readings come.
    """

    meter: MeterError = UNKNOWN
    by_home: Mapping[tuple[str, str], Pairs] = field(default_factory=dict)
    by_service: Mapping[str, Pairs] = field(default_factory=dict)
    production_factor: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    facts: Mapping[str, ReadingFacts] = field(default_factory=dict)


def unseen_legs(
    rows: pl.DataFrame,
    wrong_legs: tuple[str, ...],
    witnesses: Witnesses,
    *,
    lines: Sequence[str],
    is_noisy: bool = False,
) -> pl.DataFrame:
    """Return raw `l1`, `l2` (`l3`) [W] with errors, method and reason, of homes whose `wrong_legs` say nothing.

    Parameters
    ----------
    rows
        Contract rows with `raw_readings.ADDED`, `longitude` and `service`.
    wrong_legs
        The legs that say nothing.
    witnesses
        What tells of them.
    lines
        The home's lines.
    is_noisy
        Whether the other leg is no witness: a reading that is merely disturbed knows more than that.
    """
    others = [leg for leg in lines if leg not in wrong_legs]
    if len(wrong_legs) > 1:
        estimates = _part_each(rows, wrong_legs, others, witnesses.meter)
    else:
        leg = wrong_legs[0]
        estimate = rows.select(**metered_leg(others, witnesses.meter))
        if len(others) == 1 and not is_noisy:
            by_other = _by_other_leg(rows, leg, witnesses)
            has_meter = estimate["value"].is_not_null()
            estimate = estimate.select(
                pl.when(has_meter).then(pl.col(name)).otherwise(by_other[name]).alias(name) for name in FIELDS
            )
        estimates = {leg: estimate}
    columns: dict[str, pl.Series | pl.Expr] = {}
    channels = channels_of(lines)
    for leg in channels:
        raw = rows[f"raw_{leg}"]
        found = estimates.get(leg)
        for name in FIELDS:
            sound = raw if name in ("value", "low", "high") else raw * 0.0
            columns[leg if name == "value" else f"{leg}_{name}"] = sound if found is None else found[name]
    frame = pl.DataFrame(columns).with_columns(
        pv_w=rows["pv_w"],
        **{f"{leg}_var": None if leg in estimates else rows[f"{leg}_var"] for leg in channels},
        pv_share=pl.lit(0.0), pv_scatter=pl.lit(0.0), is_shared=pl.lit(len(wrong_legs) > 1),
        **{f"factor_{leg}": pl.lit(None if leg in estimates else 1.0, pl.Float64) for leg in channels},
    )  # fmt: skip
    is_there = pl.all_horizontal(pl.col(leg).is_not_null() for leg in wrong_legs)
    return frame.with_columns(
        pl.col([f"{leg}_var" for leg in channels]).cast(pl.Float64),
        method=pl.when(is_there).then(pl.lit(ESTIMATED)).otherwise(pl.lit(EMPTY)),
        reason=pl.when(~is_there).then(pl.lit(NOISE if is_noisy else NOTHING_TELLS)),
    )


def _by_other_leg(rows: pl.DataFrame, leg: str, witnesses: Witnesses) -> pl.DataFrame:
    """Return FIELDS of `leg` by the home's own past where it has one, else by homes of its service; null without."""
    blank = rows.select(*(pl.lit(None, pl.Float64).alias(name) for name in FIELDS))
    places = rows.select("site_id", "service").with_row_index("place")
    parts: list[pl.DataFrame] = []
    for (site, service), alike in places.partition_by("site_id", "service", as_dict=True).items():
        pairs = witnesses.by_home.get((str(site), leg)) or witnesses.by_service.get(str(service))
        if pairs is not None:
            home = rows[alike["place"].to_list()]
            parts.append(pl.DataFrame(expected_leg(home, pairs, leg)).with_columns(place=alike["place"]))
    if not parts:
        return blank
    return (
        places.select("place")
        .join(pl.concat(parts), on="place", how="left", maintain_order="left")
        .select(FIELDS)
    )


def channels_of(lines: Sequence[str]) -> tuple[str, ...]:
    """Return the channels that rows of a home with these lines have: two, or three."""
    return LINES[: max(len(LEGS), len(lines))]


def _part_each(
    rows: pl.DataFrame, legs: Sequence[str], others: Sequence[str], error: MeterError
) -> dict[str, pl.DataFrame]:
    """Return each of some legs as an equal part of what they sum to by the meter.

    A leg carries from none to all of their load. Production feeds both of two lines alike, of three any.
    """
    parts = len(legs)
    together = rows.select(**metered_leg(others, error))
    if parts + len(others) == len(LEGS):
        apart = (together["value"] + rows["seen"]).abs() / parts
    else:
        apart = together["value"].abs() + rows["seen"].abs()
    width = (together["high"] - together["low"]) / 2
    leg = together.select(
        value=pl.col("value") / parts, low=pl.col("value") / parts - apart - width / parts,
        high=pl.col("value") / parts + apart + width / parts, common=pl.col("common") / parts,
        scatter=pl.col("scatter") / parts**0.5,
    )  # fmt: skip
    return dict.fromkeys(legs, leg)
