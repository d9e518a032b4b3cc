"""What decides a reading at a home: its service as it reads, its volts, the lines that production feeds."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.core.contract import Site
from pipeline.workorder.install import Install, service_with


def install(signal: dict[str, Any] | None = None, **register: Any) -> Install:
    record = dict.fromkeys(Site.columns()) | {"pv_kw": 5.0} | register
    return Install.of(record, {"service": None, "slope_l1": None}, signal)


def test_what_is_empty_counts_as_the_usual() -> None:
    plain = install()
    assert (plain.service, plain.sees_pv, plain.cts_per_leg, plain.channels) == (
        "120/240",
        True,
        1,
        ("l1", "l2"),
    )
    assert plain.pv_shares == {"l1": 0.5, "l2": 0.5}


@pytest.mark.parametrize(
    ("recorded", "read", "service", "volts"),
    [
        ("230/400", 3, "230/400", None),
        ("230/400", 2, "120/208", 230.0),  # two of three lines, 120 degrees apart
        ("120/208 three-phase", 2, "120/208", 120.0),
        (None, 3, "120/208 three-phase", 120.0),
        ("230", 3, "230/400", 230.0),
        ("120/240", 1, "120/240", None),
    ],
)
def test_the_lines_that_are_read_count_whatever_the_record_says(
    recorded: str | None, read: int, service: str, volts: float | None
) -> None:
    known = install({"line_count": read}, service=recorded)
    assert (known.service, known.volts) == (service, volts)


def test_lines_that_production_feeds_are_those_found_else_those_recorded() -> None:
    shares = {"line_count": 3, "pv_share_l1": 0.0, "pv_share_l2": 1.0, "pv_share_l3": 0.0}
    assert install(shares, service="230/400", pv_on="l1").pv_lines == ("l2",)
    recorded = install({"line_count": 3}, service="230/400", pv_on="l1+l3")
    assert recorded.pv_shares == {"l1": 0.5, "l2": 0.0, "l3": 0.5}
    assert install(service="230/400", pv_on="all").pv_lines is None
    assert install(service="230/400").pv_shares["l3"] == pytest.approx(1 / 3)


def test_one_total_of_all_lines_is_one_channel_over_three_conductors() -> None:
    total = install({"line_count": 1}, service="230/400", lines_summed=True)
    assert (total.service, total.lines, total.channels) == ("230/400", ("l1", "l2", "l3"), ("l1",))
    assert total.pv_shares == {"l1": 1.0}


def test_a_service_of_the_same_count_stays() -> None:
    assert service_with("single", 1) == "single"
    assert service_with("120/240", 2) == "120/240"
