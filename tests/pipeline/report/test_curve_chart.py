"""The charts of the page Expected value: marks for their data, the cut where the costs put it, nothing without data."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl
import pytest
import vl_convert
from example_list import list_tables

from pipeline.report.curve_chart import MOST_MONTHS, confirmed_chart, decision_curve_chart, hit_rate_chart
from pipeline.report.vega import Spec


@pytest.fixture(scope="module")
def tables() -> Mapping[str, pl.DataFrame]:
    return list_tables()


def marks(spec: Spec, role: str) -> int:
    """Return how many shapes the rendered picture has for marks of that kind."""
    groups = [part.split("</g>")[0] for part in vl_convert.vegalite_to_svg(spec).split('<g class="mark-')]
    return sum(
        g.count("<path") + g.count("<text") + g.count("<line")
        for g in groups
        if g.startswith(f"{role} role-mark")
    )


def test_three_policies_and_the_cut_are_drawn(tables: Mapping[str, pl.DataFrame]) -> None:
    spec = decision_curve_chart(tables["decision_curve"], 0.4)
    assert spec is not None
    assert marks(spec, "line") == 3
    assert marks(spec, "rule") == 2  # zero and the cut
    assert spec["datasets"]["cut"] == [{"threshold": 0.4, "name": "pays from 40 %"}]


def test_net_benefit_is_shown_in_true_visits_of_a_hundred_homes(tables: Mapping[str, pl.DataFrame]) -> None:
    spec = decision_curve_chart(tables["decision_curve"], None)
    assert spec is not None
    at_half = {
        line["policy"]: line["benefit"] for line in spec["datasets"]["lines"] if line["threshold"] == 0.5
    }
    curve = tables["decision_curve"].filter(pl.col("threshold") == 0.5).row(0, named=True)
    assert at_half["by likelihood"] == pytest.approx(100 * curve["model"], abs=1e-3)
    assert at_half["every home"] == pytest.approx(100 * curve["visit_all"], abs=1e-3)
    assert at_half["none"] == 0
    assert "cut" not in spec["datasets"]


def test_what_visits_found_has_its_band_beside_what_was_predicted(tables: Mapping[str, pl.DataFrame]) -> None:
    spec = confirmed_chart(tables["decision_curve"], 0.4)
    assert spec is not None
    assert (marks(spec, "line"), marks(spec, "area")) == (2, 1)


def test_months_have_a_point_each_and_the_one_that_differs_looks_different(
    tables: Mapping[str, pl.DataFrame],
) -> None:
    spec = hit_rate_chart(tables["hit_rate"].drop_nulls("month"))
    assert spec is not None
    assert marks(spec, "symbol") == 2 * 2  # what was found, what was predicted
    assert {row["month"]: row["state"] for row in spec["datasets"]["months"]} == {
        "2026-04": "found", "2026-05": "found, differs",
    }  # fmt: skip


def test_of_many_months_the_newest_are_drawn() -> None:
    many = list_tables(months=14)["hit_rate"].drop_nulls("month")
    spec = hit_rate_chart(many)
    assert spec is not None
    drawn = [row["month"] for row in spec["datasets"]["months"]]
    assert drawn == sorted(many["month"])[-MOST_MONTHS:]
    assert many.height == 14 > MOST_MONTHS


def test_nothing_to_draw_gives_none(tables: Mapping[str, pl.DataFrame]) -> None:
    none = list_tables(has_visits=False)
    assert decision_curve_chart(tables["decision_curve"].clear(), 0.4) is None
    assert confirmed_chart(none["decision_curve"], 0.4) is None
    assert hit_rate_chart(none["hit_rate"]) is None
