"""A home that joins with rows in the lake already is read as far back as the window, older days on request."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl
from lakes import DAY, build_lake, put, rows

from pipeline.core.settings import load_settings
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import NightResult, run_night

DAYS = 12
WINDOW = 6
LAST = DAY + timedelta(days=DAYS - 1)


def test_a_home_with_history_joins_the_register(tmp_path: Path) -> None:
    lake, out = build_lake(tmp_path / "lake"), tmp_path / "out"
    for number in range(DAYS):
        day = DAY + timedelta(days=number)
        put(lake, "part.parquet", pl.concat([rows("a", day), rows("b", day)]), day)
    every_home = (lake / "sites.csv").read_text(encoding="utf-8")
    without_b = [line for line in every_home.splitlines() if not line.startswith("b,")]
    (lake / "sites.csv").write_text("\n".join(without_b) + "\n", encoding="utf-8")
    settings = load_settings()

    def night(back_days: int, window_days: int) -> NightResult:
        as_of = LAST - timedelta(days=back_days)
        return run_night(NightRequest(lake, out, as_of, window_days), settings)

    before = night(2, WINDOW)
    assert days_of(before) == {"a": WINDOW}
    assert before.counts["rows_rejected"] == 96 * WINDOW

    (lake / "sites.csv").write_text(every_home, encoding="utf-8")
    joined = night(1, WINDOW)
    assert days_of(joined) == {"a": WINDOW, "b": WINDOW}
    assert joined.counts["rows_rejected"] == 0
    # the days in the store that had its rows as rejects are read again, each once
    assert joined.fresh_days == WINDOW

    on_request = night(0, DAYS)
    assert days_of(on_request) == {"a": DAYS, "b": DAYS}
    assert night(0, DAYS).fresh_days == 0


def days_of(result: NightResult) -> dict[str, int]:
    """Home -> days of data that speak for it."""
    signal = pl.read_parquet(result.folder / "site_signal.parquet", columns=["site_id", "days"])
    return dict(signal.sort("site_id").iter_rows())
