"""The reliability picture renders, light and dark, with one panel a fault."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from html import escape

from validation_homes import scored_homes

from pipeline.core.contract import FAULTS
from pipeline.evaluation.study_pages import svg
from pipeline.evaluation.validation.calibration import reliability_table
from pipeline.evaluation.validation.page import draw_reliability, draw_reliability_by_fault
from pipeline.faults.fault_text import fault_title
from pipeline.report import theme

HOMES = [
    (number / 20, "dead" if number > 12 else "sound", "l1" if number > 12 else None, "dead", "l1", None)
    for number in range(20)
]


def test_the_picture_is_svg_with_a_dot_a_bin_in_the_report_s_colours() -> None:
    table = reliability_table(scored_homes(HOMES))

    light, dark = svg(draw_reliability(table)), svg(draw_reliability(table), is_dark=True)

    assert ET.fromstring(light).tag.endswith("svg")
    assert light.count(theme.light("against")) >= 10
    assert theme.light("against") not in dark
    assert theme.PALETTE["against"][1] in dark
    assert "predicted likelihood" in light


def test_each_fault_has_its_panel() -> None:
    text = svg(draw_reliability_by_fault(reliability_table(scored_homes(HOMES))))

    for name in FAULTS:
        assert f">{escape(fault_title(name), quote=False)}</text>" in text
