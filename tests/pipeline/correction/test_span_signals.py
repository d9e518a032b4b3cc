"""Spans side by side give what each span gives alone."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from day_files import many_days, put_days, span_of
from kernel_days import register

from pipeline.core import sql_runner
from pipeline.core.settings import load_settings
from pipeline.correction import span_signals as module
from pipeline.correction.span_signals import span_signals
from pipeline.features.aggregates import HomeDays
from pipeline.features.window_features import site_signals

SETTINGS = load_settings()
SPANS = (("H00", 1, 9), ("H00", 4, 20), ("H01", 3, 3), ("H02", 11, 30), ("H01", 25, 28))


@pytest.mark.parametrize("days_at_once", [1, 60_000])
def test_overlapping_spans_of_several_homes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, days_at_once: int
) -> None:
    monkeypatch.setattr(module, "_DAYS_AT_ONCE", days_at_once)
    files = put_days(tmp_path, many_days(4, 30, np.random.default_rng(1)))
    sites = register(*({"site_id": f"H0{home}", "ct_sees_pv": True} for home in range(4)))
    con = sql_runner.connect(tmp_path, SETTINGS.engine)
    spans = pl.DataFrame(
        [
            (span, home, date(2025, 6, first), date(2025, 6, last))
            for span, (home, first, last) in enumerate(SPANS)
        ],
        schema={"span": pl.Int64, "site_id": pl.String, "from_on": pl.Date, "to_on": pl.Date},
        orient="row",
    )

    together = span_signals(con, files, spans, sites=sites, settings=SETTINGS)

    assert together.select("span", "site_id", "from_on", "to_on").equals(spans)
    for row, (home, first, last) in enumerate(SPANS):
        alone = site_signals(
            con, HomeDays.of(files), span_of(**{home: (first, last)}), sites=sites, settings=SETTINGS
        )
        assert together[row].select(alone.columns).equals(alone)


def test_spans_without_rows_are_left_out(tmp_path: Path) -> None:
    files = put_days(tmp_path, many_days(1, 5, np.random.default_rng(1)))
    con = sql_runner.connect(tmp_path, SETTINGS.engine)
    spans = pl.DataFrame(
        {"span": [0], "site_id": ["H00"], "from_on": [date(2024, 1, 1)], "to_on": [date(2024, 1, 9)]}
    )
    sites = register({"site_id": "H00"})

    assert span_signals(con, files, spans, sites=sites, settings=SETTINGS).is_empty()
    assert span_signals(con, files, spans.clear(), sites=sites, settings=SETTINGS).is_empty()
