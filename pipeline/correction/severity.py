"""How severe a fault is over its own days: reading over truth of each leg, with errors that the fleet's homes confirm.

Sources that disagree by more than their errors say widen the result. A ratio near that of two ratings that the trade
mixes up, and near no other, is that ratio.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.services import LINES, lines_of
from pipeline.correction.gain_sources import SOURCES, combine, home_ratio, leg_gains
from pipeline.correction.known_ratios import snap_ratios
from pipeline.correction.span_signals import span_signals
from pipeline.correction.yardstick import Yardstick
from pipeline.faults.types import Fault
from pipeline.probes.line_rows import by_line_count

Float = NDArray[np.float64]
BY_RATING = "rating"
_NUMBERS = (*(f"gain_{leg}{end}" for leg in LINES for end in ("", "_se")), "ratio", "ratio_se")


def with_severity(
    con: duckdb.DuckDBPyConnection,
    episodes: pl.DataFrame,
    day_files: Sequence[Path],
    *,
    as_of: date,
    yardstick: Yardstick,
    catalogue: Mapping[str, Fault],
    line_files: Sequence[Path] = (),
) -> pl.DataFrame:
    """Return the episodes with `gain_l1` to `gain_l3`, `ratio`, their standard errors and `gain_by`, null if not known.

    A gain is given for the legs of an episode whose fault, or its rival, leaves a share of the reading or one factor on
    both legs; `ratio` (configured over true) where it leaves one factor;
    a ratio of ratings that the trade mixes up is given with an error of 0 where no other is likely.

    Parameters
    ----------
    con
        Runs the queries.
    episodes
        Table EPISODE.
    day_files
        Files of site_day, a day each, with all days of these homes.
    as_of
        Last day of the data, for episodes that last.
    yardstick
        What is normal in the fleet.
    catalogue
        The faults by name.
    line_files
        Files of line_day of the same days.
    """
    spans = episodes.select(
        "site_id", "from_on", pl.col("to_on").fill_null(as_of), span=pl.int_range(pl.len(), dtype=pl.Int64)
    )
    all_signals = span_signals(
        con, day_files, spans, sites=yardstick.sites, settings=yardstick.settings, line_files=line_files
    )
    columns = {name: np.full(episodes.height, np.nan) for name in _NUMBERS}
    by = np.full(episodes.height, None, dtype=object)
    for count, signals in by_line_count(all_signals) if all_signals.height else ():
        rows, normal = signals["span"].to_numpy(), yardstick.fleet.of(count).normal
        leg = episodes["leg"].gather(signals["span"]).fill_null("both").to_numpy()
        remains = [catalogue[name].remains for name in episodes["fault"].gather(signals["span"])]
        value, error = leg_gains(signals, normal, leg, remains=np.array(remains, dtype=object))
        gain, gain_se, used = combine(value, error)
        scaled = _is_scaled(episodes, catalogue)[rows]
        for column, name in enumerate(LINES[:count]):
            is_asked = scaled & np.array([name in lines_of(code, count) for code in leg.tolist()])
            columns[f"gain_{name}"][rows] = np.where(is_asked, np.exp(gain[:, column]), np.nan)
            columns[f"gain_{name}_se"][rows] = columns[f"gain_{name}"][rows] * gain_se[:, column]
            used[:, column] &= is_asked[:, None]
        known = _known_ratios(episodes, catalogue)[rows]
        ratio, ratio_se = home_ratio(signals, normal)
        ratio, is_known = snap_ratios(ratio, ratio_se, known)
        is_asked = ~np.isnan(known).all(axis=1)
        columns["ratio"][rows] = np.where(is_asked, np.exp(ratio), np.nan)
        columns["ratio_se"][rows] = np.where(is_known, 0.0, columns["ratio"][rows] * ratio_se)
        by[rows] = [_named(used[row].any(axis=0), bool(is_known[row])) for row in range(signals.height)]
    series = [pl.Series(name, values).fill_nan(None) for name, values in columns.items()]
    return episodes.with_columns(*series, pl.Series("gain_by", by.tolist(), dtype=pl.String))


def _is_scaled(episodes: pl.DataFrame, catalogue: Mapping[str, Fault]) -> NDArray[np.bool_]:
    """Tell whether a reading of the fault, or of its rival, is the truth times something, (n,)."""
    scaled = [name for name, fault in catalogue.items() if "share" in fault.remains or fault.known_ratios]
    columns = episodes.select(pl.col("fault", "rival_fault").is_in(scaled).fill_null(False))
    return columns.select(pl.any_horizontal(pl.all())).to_series().to_numpy()


def _known_ratios(episodes: pl.DataFrame, catalogue: Mapping[str, Fault]) -> Float:
    """Return the known ratios of each episode's fault, else of its rival, (n, k), NaN where it has fewer."""
    ratios = [
        catalogue[fault].known_ratios or (catalogue[rival].known_ratios if rival else ())
        for fault, rival in episodes.select("fault", "rival_fault").iter_rows()
    ]
    known = np.full((len(ratios), max(map(len, ratios), default=0)), np.nan)
    for row, of_row in enumerate(ratios):
        known[row, : len(of_row)] = of_row
    return known


def _named(used: NDArray[np.bool_], is_rating: bool) -> str | None:
    names = [name for name, is_used in zip(SOURCES, used.tolist(), strict=True) if is_used]
    return ", ".join([*names, BY_RATING] if is_rating else names) or None
