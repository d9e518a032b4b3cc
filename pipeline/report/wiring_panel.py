"""Which wirings of its three CTs explain a home's data, in words, and what on site tells the first two apart.

A wiring has one CT on each line. What else may be wrong, a CT that is off or two on one line, is no question of it.
"""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.core.wiring_text import read_wiring, spell_wiring
from pipeline.report import words

_NEEDED = {"site_id", "wiring", "likelihood", "look_at"}
_LEAST = 0.005  # of what is left for the other wirings, to be said
_SURELY_RIGHT = 0.95  # from here on a right wiring is said in a sentence


def wiring_panel(wiring: pl.DataFrame | None, site_id: str) -> dict[str, Any] | None:
    """Return the panel of one home, None where it has none: its likely wirings, best first, and what to look at.

    Where the right one is all but sure there are no rows, but `right`, its likelihood in words.

    Parameters
    ----------
    wiring
        Table wiring of the night: codes like "l2+ l1- l3+", likelihoods among all wirings, and of the likeliest what
        tells it from the next; None where the night has none.
    site_id
        The home.
    """
    if wiring is None or not set(wiring.columns) >= _NEEDED:
        return None
    ranked = wiring.filter(pl.col("site_id") == site_id).sort(
        "likelihood", "wiring", descending=[True, False]
    )
    if ranked.is_empty():
        return None
    code, share = ranked.select("wiring", "likelihood").row(0)
    if share >= _SURELY_RIGHT and all(ct.is_right for ct in read_wiring(code)):
        return {"rows": [], "right": words.percent(share), "look_at": None, "rest": None}
    rest = 1 - float(ranked["likelihood"].sum())
    return {
        "rows": [
            {"parts": [words.sentence(part) for part in spell_wiring(code).split("; ")], "likelihood": share}
            for code, share in ranked.select("wiring", "likelihood").iter_rows()
        ],
        "right": None,
        "look_at": ranked["look_at"].drop_nulls().first() if ranked.height > 1 else None,
        "rest": words.percent(rest) if rest >= _LEAST else None,
    }
