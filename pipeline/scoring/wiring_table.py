"""Which wirings of three lines are likely at homes that aren't sound, and what tells the likeliest from the next."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.contract import SOUND
from pipeline.core.services import LINES
from pipeline.probes.line_rows import THREE, has_three_lines, pair_rows
from pipeline.probes.wirings import Wiring, all_wirings, wiring_shares

Float = NDArray[np.float64]
LEAST_SHARE = 0.01  # of the likelihood of all wirings; less is no use to an electrician
MOST_WIRINGS = 5
SCHEMA = pl.Schema(
    {
        "site_id": pl.String, "ordinal": pl.Int32, "wiring": pl.String, "likelihood": pl.Float64,
        "look_at": pl.String,
    }
)  # fmt: skip


def wiring_table(scores: pl.DataFrame, signals: pl.DataFrame) -> pl.DataFrame:
    """Return table `wiring`: the likely wirings of each home of three lines that isn't sound, likeliest first.

    site_id; ordinal from 1; wiring, the line that the CT of channel 1, 2, 3 is on with its sign ("l2+ l1- l3+");
    likelihood among all 48, by all evidence together; look_at, of the likeliest only: what tells it from the next.

    Parameters
    ----------
    scores, signals
        site_scores and table site_signal.
    """
    unsound = scores.filter(pl.col("ct_verdict") != SOUND)["site_id"].to_list()
    homes = signals.filter(has_three_lines(signals) & pl.col("site_id").is_in(unsound))
    if homes.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    shares = wiring_shares(homes, pair_rows(homes), THREE)
    rows = [
        row
        for site_id, share in zip(homes["site_id"], shares, strict=True)
        for row in _rows_of(site_id, share)
    ]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _rows_of(site_id: str, share: Float) -> list[tuple[str, int, str, float, str | None]]:
    wirings, order = all_wirings(THREE), np.argsort(-share, kind="stable")
    likely = [number for number in order[:MOST_WIRINGS].tolist() if share[number] >= LEAST_SHARE]
    best, following = wirings[order[0]], wirings[order[1]]
    return [
        (
            site_id, ordinal, wirings[number].code, float(share[number]),
            what_to_look_at(best, following) if ordinal == 1 else None,
        )
        for ordinal, number in enumerate(likely, start=1)
    ]  # fmt: skip


def what_to_look_at(one: Wiring, other: Wiring) -> str:
    """Return what an electrician looks at to tell one wiring from another, a sentence without full stop.

    >>> what_to_look_at(all_wirings(3)[0], all_wirings(3)[1])
    'the arrow of the CT of channel L3: towards the load, or turned around'
    """
    parts = []
    for channel, line in enumerate(LINES[: len(one.order)]):
        name = f"the CT of channel {line.upper()}"
        lines = [LINES[wiring.order[channel]].upper() for wiring in (one, other)]
        if lines[0] != lines[1]:
            parts.append(f"which conductor is in {name}: {lines[0]}, or {lines[1]}")
        if one.signs[channel] != other.signs[channel]:
            ways = [
                "towards the load" if wiring.signs[channel] > 0 else "turned around"
                for wiring in (one, other)
            ]
            parts.append(f"the arrow of {name}: {ways[0]}, or {ways[1]}")
    return "; ".join(parts)
