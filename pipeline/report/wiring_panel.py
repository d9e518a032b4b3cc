"""Which wirings of its three CTs explain a home's data, in words, and what on site tells them apart."""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from pipeline.core.wiring_text import spell_wiring
from pipeline.report import words

COLUMNS: Final = ("site_id", "wiring", "likelihood", "look_at")
MOST_WIRINGS = 5
_LEAST = 0.005  # likelihood from which on a wiring is shown, the likeliest always is


def wiring_panel(wiring: pl.DataFrame | None, site_id: str) -> dict[str, Any] | None:
    """Return the panel of one home: its likeliest wirings, best first, and a line on the others; None: no panel.

    Parameters
    ----------
    wiring
        Table wiring of the night (COLUMNS: codes like "l2+ l1- l3+", likelihoods 0..1, what to look at on site); None
        where the night has none.
    site_id
        The home.
    """
    if wiring is None or not set(COLUMNS) <= set(wiring.columns):
        return None
    own = wiring.filter(pl.col("site_id") == site_id, pl.col("likelihood").is_not_null())
    ranked = own.sort("likelihood", "wiring", descending=[True, False])
    is_shown = (pl.int_range(pl.len()) == 0) | (pl.col("likelihood") >= _LEAST)
    shown = ranked.filter(is_shown).head(MOST_WIRINGS)
    if shown.is_empty():
        return None
    rest = ranked.tail(ranked.height - shown.height)
    others = ""
    if rest.height:
        share = words.percent(float(rest["likelihood"].sum()))
        others = f"{words.count(rest.height, 'other wiring')} together: {share}."
    return {
        "rows": [
            {
                "wiring": [words.sentence(part) for part in spell_wiring(row["wiring"]).split("; ")],
                "likelihood": row["likelihood"],
                "look_at": words.sentence(row["look_at"] or ""),
            }
            for row in shown.iter_rows(named=True)
        ],
        "others": others,
    }
