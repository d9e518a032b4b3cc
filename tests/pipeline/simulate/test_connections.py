"""Loads on lines: no watt is lost, loads between lines turn as voltages do, a battery feeds the inverter's lines."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.core.services import SERVICES, service_of
from pipeline.simulate.connections import connections, home_circuit, loads_by_line, merge_lines, row_of


@pytest.mark.parametrize("service", SERVICES)
def test_what_is_put_on_any_lines_is_taken_from_them_and_from_no_other(service):
    for lines in connections(service):
        rows = np.zeros((2 * len(connections(service)), 3), dtype=np.complex128)
        rows[row_of(service, lines, 1)] = 900 + 300j
        taken = merge_lines(service, loads_by_line(service, rows, service_of(service).volts))
        assert taken.shape == (service_of(service).line_count, 2, 3)
        np.testing.assert_allclose(taken.sum(axis=(0, 1)), 900 + 300j)
        assert not taken[:, 0].any()
        loaded = {line + 1 for line in np.flatnonzero(np.abs(taken[:, 1, 0]) > 1e-9)}
        assert loaded == {min(line, service_of(service).line_count) for line in lines}


def test_two_lines_share_a_load_between_them_with_reactive_power_and_one_to_neutral_without():
    rows = np.zeros((14, 1), dtype=np.complex128)
    rows[row_of("230/400", (3, 1), 0)] = 2000.0
    np.testing.assert_allclose(loads_by_line("230/400", rows, 230.0)[:, 0, 0], [1000, 0, 1000], atol=1e-9)
    between = loads_by_line("120/208 three-phase", rows, 120.0)[:, 0, 0]
    # line 3 leads line 1 by 120 degrees, so its voltage leads the current between them by 30: by hand
    turn = 1000 * np.tan(np.deg2rad(30.0))
    np.testing.assert_allclose(between, [1000 + 1j * turn, 0, 1000 - 1j * turn], atol=1e-9)


def test_a_battery_of_three_lines_feeds_the_inverters_lines_and_is_no_production():
    none = np.zeros((3, 2, 4))
    circuit = home_circuit(
        none, np.full(4, 1000.0), battery_w=np.full(4, 500.0), other_w=np.full(4, 300.0),
        service="230/400", volts=230.0, minutes=1.0, pv_lines=("l2",),
    )  # fmt: skip
    np.testing.assert_allclose(circuit.source_va.real[:, 0], [100, 1600, 100], atol=1e-9)
    np.testing.assert_allclose((circuit.volts * np.conj(circuit.pv)).real[:, 0], [0, 1000, 0], atol=1e-9)
