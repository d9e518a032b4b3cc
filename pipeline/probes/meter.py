"""The utility meter: import less export must equal load less production, so it proves scale and coverage."""

from __future__ import annotations

import polars as pl

from pipeline.core.contract import BY_FILE
from pipeline.probes.leg_text import Row, Verb, leg_numbers, plain, tell_legs, value_of
from pipeline.probes.probe import Probe, Quantity, columns_of_lines, home_quantity

_NEAR, _OF_HALF = 0.07, 0.08  # of the right gain, and of half or twice it


def _log_gain(leg: str) -> pl.Expr:
    """Return ln of reading over truth; a meter that counts against a leg is a gain as small as can be told."""
    gain = pl.col(f"meter_gain_{leg}")
    return pl.when(gain.is_not_null()).then(gain.clip(0.02, 50.0).log())


def _log_gain_error(leg: str) -> pl.Expr:
    # The gain is one over the regression's coefficient b: d ln(1/b) = db / b.
    return pl.col(f"meter_{leg}_se") * pl.col(f"meter_gain_{leg}").abs()


def _tell(row: Row) -> str:
    def judge(leg: str, gain: float) -> tuple[Verb, bool]:
        scatter = 2 * (value_of(row, f"meter_{leg}_se") or 0.0) * abs(gain)
        if abs(gain - 1) <= max(_NEAR, min(scatter, 0.5)):
            return Verb("reads what it should", "read what they should"), False
        if gain < 0:
            return Verb("reads with the wrong sign", "read with the wrong sign"), True
        if abs(gain / 0.5 - 1) <= _OF_HALF:
            return Verb("reads half of what it should", "read half of what they should"), True
        if abs(gain / 2 - 1) <= _OF_HALF:
            return Verb("reads twice what it should", "read twice what they should"), True
        too = "too little" if gain < 1 else "too much"
        return Verb(f"reads {too}", f"read {too}"), True

    legs = leg_numbers(row, "meter_gain_{}", judge, write=plain)
    return tell_legs(legs, unit=" times", right="1.00", before=f"by the utility meter {_whence(row)}")


def _whence(row: Row) -> str:
    """Return what there is to know of a meter in a file: until when it goes, how far off its clock is."""
    to_on, from_on, offset = (row.get(name) for name in ("meter_to_on", "from_on", "meter_offset_min"))
    if row.get("meter_by") != BY_FILE:
        return ""
    ended = f"until {to_on} " if to_on and from_on and to_on < from_on else ""
    side = "ahead of" if (offset or 0) > 0 else "behind"
    clock = f"(its clock is {abs(offset)} min {side} the readings') " if offset else ""
    return ended + clock


METER = Probe(
    "meter",
    "Utility meter",
    (
        Quantity("log_gain", _log_gain, "leg", _log_gain_error, wrong="both", floor=0.01, decides=0.35),
        Quantity("log_gain_error", _log_gain_error, "leg", is_compared=False),
        home_quantity("explained", "meter_r2", "low"),
        home_quantity("production_weight", "meter_probe"),
        home_quantity("energy_ratio", "meter_energy_ratio"),
        home_quantity("share", "meter_share", is_compared=False),
    ),
    _tell,
    (
        *columns_of_lines("meter_gain_{}", "meter_{}_se"), "meter_by", "meter_offset_min", "meter_to_on", "from_on",
    ),
    pl.col("meter_gain_l1").is_not_null(),
)  # fmt: skip
