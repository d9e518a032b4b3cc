"""The measured household on its own 230 V, and three years of it as three lines."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.evaluation.validation.fleets import injections
from pipeline.evaluation.validation.real_homes import STARTS, windows, write_real_lake
from pipeline.evaluation.validation.real_lines import windows_on
from pipeline.faults.cts import Wiring, measure

START = STARTS[0]


def test_one_line_takes_what_the_household_took():
    for alone, year in zip(windows_on("230", START), windows(START), strict=True):
        circuit = alone.circuit()
        np.testing.assert_allclose(circuit.load_va[0], year.load_1_va + year.load_2_va)
        volts = np.abs(circuit.volts[0])
        assert 225 < volts.mean() < 250
        assert np.corrcoef(volts, 2 * year.supply_v)[0, 1] > 0.8  # what it sags by moves it too


def test_three_lines_are_three_years_and_share_the_sun():
    homes = windows_on("230/400", START)
    assert len(homes) == len(windows(START)) >= 3
    for home in homes:
        circuit = home.circuit()
        assert circuit.load_va.shape == (3, home.times.len())
        np.testing.assert_allclose(circuit.source_va.real.sum(axis=0), home.pv_w, atol=1e-6)
        assert np.abs(np.corrcoef(circuit.load_va.real)[np.triu_indices(3, 1)]).max() < 0.6
        right = measure(circuit, Wiring.sound("230/400"))
        np.testing.assert_allclose(
            right.va.real.sum(axis=0), home.loads_va.real.sum(axis=0) - home.pv_w, atol=1e-6
        )


@pytest.mark.parametrize(("service", "lines"), [("230", 1), ("230/400", 3)])
def test_a_lake_of_such_homes_has_a_reading_a_line_and_every_fault_that_can_happen(tmp_path, service, lines):
    faults = injections(1, service)
    truth = write_real_lake(tmp_path, faults[::6], windows_on(service, START)[:1], with_volts=True)
    rows = pl.read_parquet(sorted(tmp_path.glob("intervals/*/*.parquet")))
    has = [name for name in ("l1_w", "l2_w", "l3_w") if name in rows.columns and rows[name].count()]
    assert len(has) == lines
    assert truth.height == 1 + len(faults[::6])
    assert (len({name for name, _, _ in faults}) == 12) == (lines == 3)
