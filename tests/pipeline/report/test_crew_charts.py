"""The crews' pictures: each renders with a mark for its data and tells crews apart by more than colour."""

from __future__ import annotations

import re

import polars as pl
import pytest
import vl_convert
from example_crews import crew_tables, quality

from pipeline.faults.fault_text import fault_title
from pipeline.report.crew_charts import (
    LIKE,
    OUTSIDE,
    STANDS_OUT,
    fair_rates,
    funnel,
    percent_interval,
    ratio_interval,
)
from pipeline.report.crew_dots_chart import fault_dots, months
from pipeline.report.theme import PALETTE
from pipeline.report.vega import Spec


def marks(spec: Spec | None, role: str) -> int:
    """Return how many shapes the rendered picture has for marks of that kind."""
    assert spec is not None
    groups = [part.split("</g>")[0] for part in vl_convert.vegalite_to_svg(spec).split('<g class="mark-')]
    wanted = [group for group in groups if group.startswith(f"{role} role-mark")]
    return sum(group.count("<path") + group.count("<text") + group.count("<line") for group in wanted)


def test_the_funnel_has_its_ranked_crews_and_four_limits() -> None:
    spec = funnel(quality(), 0.09)

    assert marks(spec, "symbol") == 2
    assert marks(spec, "line") == 4
    assert spec is not None
    # the crew with most installs lies at the right end, so its name is written towards the middle
    assert [(row["label"], row["label_before"]) for row in spec["datasets"]["crews"]] == [
        ("", "crew-0"),
        ("", ""),
    ]
    outer = [row for row in spec["datasets"]["limits"] if row["limits"] == "99.8 %" and row["side"] == 3]
    inner = [row for row in spec["datasets"]["limits"] if row["limits"] == "95 %" and row["side"] == 2]
    assert all(far["rate"] >= near["rate"] for far, near in zip(outer, inner, strict=True))


def test_who_stands_out_differs_in_shape_and_colour() -> None:
    spec = funnel(quality(), 0.09)
    assert spec is not None
    encoding = next(layer["encoding"] for layer in spec["layer"] if "shape" in layer["encoding"])

    assert len(set(encoding["shape"]["scale"]["range"])) == 3
    assert len(set(encoding["color"]["scale"]["range"])) == 3
    lights = {light for light, _ in PALETTE.values()}
    assert set(encoding["color"]["scale"]["range"]) <= lights


@pytest.mark.parametrize("width", [260, 600])
def test_the_legends_of_the_funnel_are_inside_the_picture(width: int) -> None:
    spec = funnel(quality(), 0.09)
    assert spec is not None
    svg = vl_convert.vegalite_to_svg(spec | {"width": width})

    texts = re.findall(r"<text[^>]*>([^<]*)</text>", svg)
    legend_texts = {LIKE, OUTSIDE, STANDS_OUT, "control limits", "95 %", "99.8 %"}
    assert legend_texts <= set(texts)  # none is cut short by dots
    legends = [
        layer["encoding"][name]["legend"]
        for layer in spec["layer"]
        for name in ("color", "strokeDash")
        if name in layer["encoding"]
    ]
    orients = [legend.get("orient", "top") for legend in legends]
    assert sorted(orients) == ["bottom", "top"]  # not beside each other


def test_fair_rates_are_sorted_with_an_interval_each() -> None:
    spec = fair_rates(quality(), 0.09, 24)

    assert marks(spec, "symbol") == 2
    assert marks(spec, "rule") == 3  # two intervals and the fleet
    assert spec is not None
    assert [row["crew_id"] for row in spec["datasets"]["crews"]] == ["crew-0", "crew-1"]


def test_months_have_a_dot_each_and_a_bar_where_a_crew_changed() -> None:
    tables = crew_tables()

    spec = months(tables["crew_month"], tables["crew_change"], ["crew-0", "crew-1"])

    assert marks(spec, "symbol") == 10
    assert marks(spec, "rect") == 1


def test_faults_have_a_ring_each_and_the_found_ones_are_filled() -> None:
    spec = fault_dots(crew_tables()["crew_fault"], "crew_id", ["crew-0", "crew-1"])

    assert marks(spec, "symbol") == 6  # three rings, three discs, one of them of size 0
    assert spec is not None
    assert [(row["row"], row["fault"], row["found"], row["both"]) for row in spec["datasets"]["faults"]] == [
        ("crew-0", fault_title("reversed"), 2, 3.5), ("crew-0", fault_title("legs_crossed"), 0, 1.5),
        ("crew-1", fault_title("reversed"), 2, 2.0),
    ]  # fmt: skip


def test_without_data_there_is_no_picture() -> None:
    tables = crew_tables()

    assert funnel(quality().clear(), 0.09) is None
    assert funnel(quality(), 0.0) is None
    assert fair_rates(quality().filter(~pl.col("is_ranked")), 0.09, 24) is None
    assert months(tables["crew_month"], tables["crew_change"], []) is None
    assert fault_dots(tables["crew_fault"].clear(), "crew_id", ["crew-0"]) is None


def test_intervals_in_words() -> None:
    assert percent_interval(0.041, 0.02, 0.0789) == "4.1\u00a0% (2.0\u00a0to\u00a07.9)"
    assert ratio_interval(1.2, 0.8, 1.9) == "1.20 (0.80\u00a0to\u00a01.90)"
    assert ratio_interval(3.4, 0.001, 2120.4) == "3.40 (under 0.01\u00a0to\u00a0over 100)"
    assert ratio_interval(1.2, 0.8, 14.2) == "1.20 (0.80\u00a0to\u00a014)"
    assert (percent_interval(None, 0, 1), ratio_interval(None, None, None)) == ("–", "–")
