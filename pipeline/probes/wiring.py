"""The wiring of three lines: which CT is on which line and which way round, by all of a home's evidence together."""

from __future__ import annotations

import polars as pl

from pipeline.core.percent_text import percent
from pipeline.probes.leg_text import NOT_KNOWN, Row, together, value_of
from pipeline.probes.probe import Probe, Quantity, column, columns_of_lines

_PLAIN_SHARE = 0.9  # from this share on one wiring is named


def wiring_text(code: str) -> str:
    """Return a wiring in words: "the CT of channel L1 is on L2 and turned around".

    >>> wiring_text("l1+ l3+ l2-")
    'the CT of channel L2 is on L3, and the CT of channel L3 is on L2 and turned around'
    """
    parts = []
    for channel, part in enumerate(code.split(), start=1):
        line, sign = part[:-1].upper(), part[-1]
        is_moved, is_turned = line != f"L{channel}", sign == "-"
        words = [f"on {line}"] * is_moved + ["turned around"] * is_turned
        if words:
            parts.append(f"the CT of channel L{channel} is {together(words)}")
    return (
        ", and ".join(filter(None, (", ".join(parts[:-1]), parts[-1])))
        if parts
        else "every CT is on its line"
    )


def _tell(row: Row) -> str:
    code, share = row.get("wiring_best"), value_of(row, "wiring_share")
    if code is None or share is None:
        return NOT_KNOWN
    likely = f"{percent(min(abs(share), 1.0))} of the likelihood of all 48 wirings"
    text = wiring_text(code)
    if text.startswith("every"):
        return f"of the ways three CTs can be wired, right is the likeliest, with {likely}"
    word = "by all evidence together" if share >= _PLAIN_SHARE else "most likely, but not for certain,"
    return f"{word} {text}: {likely}, right is each CT on its own line, arrow the right way"


WIRING = Probe(
    "wiring",
    "Wiring of the lines",
    (
        Quantity("right", lambda _: pl.col("wiring_right"), wrong="low", unit="ln odds", floor=0.5),
        Quantity("turned", column("wiring_turned_{}"), "leg", wrong="high", unit="ln odds", floor=0.5),
        Quantity("moved", column("wiring_moved_{}"), "leg", wrong="high", unit="ln odds", floor=0.5),
    ),
    _tell,
    ("wiring_best", "wiring_share", "wiring_right", *columns_of_lines("wiring_turned_{}", "wiring_moved_{}")),
    pl.col("wiring_right").is_not_null(),
    least_lines=3,
)  # fmt: skip
