"""The reliability picture renders, light and dark, with one panel a fault."""

from __future__ import annotations

import xml.etree.ElementTree as ET

from proof_homes import judged

from pipeline.core.contract import FAULTS
from pipeline.evaluation.result_pages import svg
from pipeline.evaluation.validation.calibration import reliability
from pipeline.evaluation.validation.picture import each_fault, overall
from pipeline.report import theme

HOMES = [
    (at / 20, "dead" if at > 12 else "sound", "l1" if at > 12 else None, "dead", "l1", None)
    for at in range(20)
]


def test_the_picture_is_svg_with_a_dot_a_bin_in_the_colours_of_the_house() -> None:
    table = reliability(judged(HOMES))

    light, dark = svg(overall(table)), svg(overall(table), is_dark=True)

    assert ET.fromstring(light).tag.endswith("svg")
    assert light.count(theme.light("against")) >= 10
    assert theme.light("against") not in dark
    assert theme.PALETTE["against"][1] in dark
    assert "likelihood said" in light


def test_each_fault_has_its_panel() -> None:
    text = svg(each_fault(reliability(judged(HOMES))))

    for name in FAULTS:
        assert f">{name.replace('_', ' ')}</text>" in text
