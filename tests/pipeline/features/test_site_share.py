"""How much of a watt of production each leg sees, by the register and by pairs of lines."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.features.site_share import SITE_SHARE, share_of_pair, share_of_views, site_share


def of_register(
    service: str | None, pv_on: str | None = None, *, summed: bool | None = None
) -> tuple[object, ...]:
    sites = pl.DataFrame(
        {"site_id": ["a"], "service": [service], "pv_on": [pv_on], "lines_summed": [summed]},
        schema={"site_id": pl.String, "service": pl.String, "pv_on": pl.String, "lines_summed": pl.Boolean},
    )
    shares = site_share(sites)
    assert shares.schema == SITE_SHARE
    return shares.row(0)[1:]


ONE = (1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 1)


@pytest.mark.parametrize("service", ["single", "230"])
def test_one_line_carries_all(service: str) -> None:
    assert of_register(service) == ONE
    assert of_register("230/400", summed=True) == ONE


def test_two_legs_carry_half_each() -> None:
    assert of_register(None) == of_register("120/240") == (0.5, 0.5, 1.0, 0.5, 0.0, 0.0, 2)
    assert of_register("120/208") == (0.5, 0.5, 1.0, 0.5, 30.0, -30.0, 2)


def test_an_inverter_on_one_leg_leaves_the_other_without() -> None:
    assert of_register("120/208", "l2") == (None, 1.0, 1.0, 1.0, 0.0, 0.0, 2)
    assert of_register("120/240", "l1") == (1.0, None, 1.0, 1.0, 0.0, 0.0, 2)
    assert of_register("120/208", "l1+l2") == of_register("120/208", "all") == of_register("120/208")


@pytest.mark.parametrize("service", ["230/400", "120/208 three-phase"])
def test_the_first_two_of_three_lines(service: str) -> None:
    third = 1 / 3
    assert of_register(service) == (third, third, 2 * third, third, 0.0, 0.0, 2)
    assert of_register(service, "l3") == (None, None, None, 1.0, 0.0, 0.0, 2)
    assert of_register(service, "l1+l2") == (0.5, 0.5, 1.0, 0.5, 30.0, -30.0, 2)
    assert of_register(service, "l2+l3")[:5] == (None, 0.5, 0.5, 0.5, 30.0)
    assert of_register(service, "l2+l3")[5] == 30.0  # line 2 comes before line 3
    assert of_register(service, "l1+l3")[4] == -30.0  # and line 3 before line 1


def test_each_pair_has_the_shares_of_its_lines() -> None:
    fed = {"pv_share_l1": 0.5, "pv_share_l2": 0.0, "pv_share_l3": 0.5}
    lead = {"pv_lead_l1_deg": -30.0, "pv_lead_l2_deg": 0.0, "pv_lead_l3_deg": 30.0}
    homes = pl.DataFrame([{"site_id": "a", **fed, **lead}])

    views = share_of_views(homes)

    assert views["site_id"].to_list() == ["a", "a\n23\n", "a\n31\n", "a\nsum\n"]
    assert views.rows() == [
        ("a", 0.5, None, 0.5, 0.5, -30.0, 0.0, 3),
        ("a\n23\n", None, 0.5, 0.5, 0.5, 0.0, 30.0, 3),
        ("a\n31\n", 0.5, 0.5, 1.0, 0.5, 30.0, -30.0, 3),
        ("a\nsum\n", 1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 3),
    ]
    assert share_of_pair(homes, "12", line_count=2)["line_count"].to_list() == [2]
