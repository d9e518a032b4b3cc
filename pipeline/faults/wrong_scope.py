"""The register says the wrong thing about where the clamps are.

On site: nothing is wrong; the clamps sit upstream of the solar tie-in and the register says
downstream, or the other way round. The data: the readings are right and every number derived from
them is wrong. Declared upstream, the legs never fall with the sun (slope 0, not -0.5); declared
downstream, they do. What else looks the same: opposed pairs upstream (slope 0), a site whose
production is already added back, a production outage (no probe signal, so nothing to say). No
inverse of the readings: they are right; correcting the record puts right what is derived.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.circuit import Circuit
from pipeline.fault import Fault, Piece, Remedy
from pipeline.match import above, below, near, only_if, steady
from pipeline.misread import bounded, number
from pipeline.wiring import Wiring


def fits(wiring: Wiring, circuit: Circuit) -> bool:
    """Fits homes with solar whose source doesn't add production back (which would depend on it)."""
    return circuit.has_pv and not wiring.pv_added_back


def effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Declare the contrary of the truth; the readings stay."""
    declared = "upstream" if not wiring.declared_sees_pv else "downstream"
    return replace(
        wiring, declared_sees_pv=not wiring.declared_sees_pv, severity=f"declared {declared}, is not"
    )


REMEDY = Remedy(
    action="Compare with the install photos and correct ct_sees_pv in the site's record; nothing on "
    "site needs touching.",
    fix_by="office",
    bring=(),
    minutes=5,
    prove="With the record corrected, load computed at noon and at night agree in level, and the slope "
    "on production is what the record now expects.",
    habit="Photograph clamps and solar breaker in one picture, and fill in the record from the picture.",
)


def _alive() -> pl.Expr:
    """Both legs carry something by night: a dead or clipped leg is no scope question."""
    legs = pl.min_horizontal(pl.col("night_l1_high_w"), pl.col("night_l2_high_w").fill_null(1e9))
    return above(legs, 20.0, 5.0)


PIECES: tuple[Piece, ...] = (
    Piece(
        "no_sun_seen",
        "Declared upstream of the solar, but answers nothing of it",
        (
            "gain_l1",
            "gain_l1_se",
            "gain_l2",
            "gain_l2_se",
            "service",
            "night_l1_high_w",
            "night_l2_high_w",
            "balanced_share",
            "is_declared_upstream",
            "is_battery_hidden",
        ),
        {
            "both": only_if(
                pl.col("is_declared_upstream") & ~pl.col("is_battery_hidden"),
                near("gain_l1", 0.0, "gain_l1_se")
                * pl.when(pl.col("service") == "single")
                .then(1.0)
                .otherwise(near("gain_l2", 0.0, "gain_l2_se"))
                * _alive()
                * below(pl.col("balanced_share").fill_null(0.0), 0.3, 0.05),
            )
        },
        "slope on PV {slope_l1:+.2f} / {slope_l2:+.2f} W per W though the register says upstream",
    ),
    Piece(
        "sun_seen",
        "Declared at the loads, but answers the sun",
        ("gain_sum", "gain_sum_se", "is_declared_upstream"),
        {
            "both": only_if(
                ~pl.col("is_declared_upstream"), near("gain_sum", 1.0, "gain_sum_se", tolerance=0.12)
            )
        },
        "slope of both legs on PV {slope_sum:+.2f} W per W though the register says load side",
    ),
    Piece(
        "steady_scope",
        "Answers the sun contrary to the register, day after day",
        (
            "gain_sum",
            "gain_sum_se",
            "slope_scatter",
            "expected_gain",
            "night_l1_high_w",
            "night_l2_high_w",
            "balanced_share",
            "slope_am",
            "slope_pm",
            "slope_am_se",
            "slope_pm_se",
            "slope_days",
            "is_battery_hidden",
        ),
        {
            "both": only_if(
                (pl.col("gain_sum_se") < 0.06)
                & pl.col("expected_gain").is_not_null()
                & ~pl.col("is_battery_hidden"),
                near("gain_sum", 1 - pl.col("expected_gain"), "gain_sum_se")
                * _alive()
                * below(pl.col("balanced_share").fill_null(0.0), 0.3, 0.05)
                * steady(),
            )
        },
        "slope of both legs on PV {slope_sum:+.2f} W per W, the same on {slope_days:.0f} days",
    ),
    Piece(
        "meter_scope",
        "The utility meter needs production counted the other way",
        ("meter_probe", "meter_r2", "expected_gain", "is_added_back"),
        {
            "both": only_if(
                (pl.col("meter_r2") > 0.7) & pl.col("expected_gain").is_not_null() & ~pl.col("is_added_back"),
                (-((pl.col("meter_probe") + pl.col("expected_gain")) / 0.15).pow(2) / 2).exp(),
            )
        },
        "the utility meter agrees with the legs and {meter_probe:+.2f} times production",
    ),
)

# The readings are right; the load worked out from them has production counted twice or not at all.
WRONG_KWH_DAY = {"both": bounded(number("pv_kwh_day").abs())}

FAULT = Fault(
    name="wrong_scope",
    legs=("both",),
    story="The record says the clamps see the solar power and they don't, or the other way round.",
    looks_like="opposed_pair upstream; a source that adds production back without saying so",
    fits=fits,
    effect=effect,
    inverse=None,
    wrong_kwh_day=WRONG_KWH_DAY,
    pieces=PIECES,
    remedy=REMEDY,
    kinds=("declared upstream", "declared downstream"),
)
