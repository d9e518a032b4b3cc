"""Zeros: a leg without a signal, always or now and then, while the rest of the home lives."""

from __future__ import annotations

import polars as pl

from pipeline.core.number_text import number
from pipeline.probes.leg_text import NOT_KNOWN, Row, known_legs, share_of, together, value_of
from pipeline.probes.probe import Probe, columns_of_lines, home_quantity, leg_quantity, watt_quantity

_SELDOM, _MOSTLY = 0.01, 0.5  # shares of intervals
_DROPS_DAY = 0.3
_LIVES = " while the rest of the home draws power"


def _tell(row: Row) -> str:
    zeros = known_legs(row, "zero_{}_share")
    if not zeros:
        return NOT_KNOWN
    lone = dict(known_legs(row, "lone_zero_{}_share"))
    legs = [leg for leg, _ in zeros]
    shares = [lone.get(leg, zero) for leg, zero in zeros]
    rest = _LIVES if lone else ""
    parts = []
    for leg, share in zip(legs, shares, strict=True):
        tiny, drops = value_of(row, f"tiny_{leg}_share"), value_of(row, f"drop_{leg}_day")
        found = [f"zero {share_of(share, 'intervals')}{rest}"] if share > _SELDOM else []
        found += [f"near zero {share_of(tiny, 'intervals')}"] if tiny is not None and tiny > _MOSTLY else []
        found += [f"{number(drops, 1)} dropouts a day"] if drops is not None and drops > _DROPS_DAY else []
        if found:
            parts.append(f"{leg.upper()} {together(found)}")
    if parts:
        return f"lost signal: {', '.join(parts)} (right is hardly ever)"
    most = max(shares)
    said = f"read zero {share_of(most, 'intervals')}" if most > 0 else "never read zero"
    said = said if len(legs) > 1 else said.replace("read", "reads")
    return f"{together([leg.upper() for leg in legs])} {said}{rest}, right is hardly ever"


ZEROS = Probe(
    "zeros",
    "Lost signal",
    (
        leg_quantity("zero_share", "zero_{}_share", "high", floor=0.001),
        leg_quantity("tiny_share", "tiny_{}_share", "high", floor=0.002, decides=0.8),
        leg_quantity("lone_share", "lone_zero_{}_share", "high", floor=0.001, decides=0.6),
        leg_quantity("gap_share", "gap_{}_share", "high", floor=0.001),
        leg_quantity("sharpness", "gap_{}_sharpness", "high", floor=0.01),
        leg_quantity("drops", "drop_{}_day", "high", unit="1/day", floor=0.02, decides=10.0),
        leg_quantity("in_dark_share", "zero_{}_dark_share", "high", floor=0.001),
        watt_quantity("night", "night_{}_w"),
        home_quantity("all_share", "zero_all_share"),
    ),
    _tell,
    columns_of_lines("zero_{}_share", "lone_zero_{}_share", "tiny_{}_share", "drop_{}_day"),
    pl.col("zero_l1_share").is_not_null(),
)  # fmt: skip
