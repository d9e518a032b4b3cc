"""The grammar: what is written stands in the spec in one order, and every picture of the pages fits the schema."""

from __future__ import annotations

import json
from pathlib import Path

import altair
import pytest
from jsonschema.exceptions import ValidationError
from page import Page

from pipeline.report import vega
from pipeline.report.vega import Layer, Spec


def specs(page: Path) -> list[Spec]:
    told = [json.loads(script.text) for script in Page(page).all("script", type="application/json")]
    return [spec for spec in told if "$schema" in spec]


def fits(spec: Spec) -> None:
    altair.LayerChart.validate(spec)


def test_every_picture_fits_the_schema(folder: Path) -> None:
    found = [spec for page in sorted(folder.rglob("*.html")) for spec in specs(page)]

    assert len(found) > 30
    for spec in found:
        fits(spec)


def test_a_misspelt_property_does_not_fit() -> None:
    dots = Layer("homes").mark("point", filed=True).encode(vega.x("w:Q"))

    with pytest.raises(ValidationError):
        fits(vega.layered([dots]))


def test_properties_stand_in_the_order_of_the_alphabet_behind_the_kind_of_mark() -> None:
    line = (
        Layer("days")
        .mark("line", strokeWidth=2, clip=True)
        .encode(vega.y("w:Q", title="W", axis=None), vega.dash("leg:N"), vega.x("day:T"), vega.y2("top:Q"))
    )

    assert json.dumps(line.spec()) == json.dumps(
        {
            "mark": {"type": "line", "clip": True, "strokeWidth": 2},
            "encoding": {
                "strokeDash": {"field": "leg", "type": "nominal"},
                "x": {"field": "day", "type": "temporal"},
                "y": {"axis": None, "field": "w", "title": "W", "type": "quantitative"},
                "y2": {"field": "top"},
            },
        }
    )


def test_a_layer_that_is_encoded_further_leaves_the_first_as_it_was() -> None:
    base = Layer("days").encode(vega.x("day:T"))
    base.mark("point").encode(vega.y("w:Q"), tooltip=[vega.tooltip("w:Q")])

    assert base == Layer("days").encode(vega.x("day:T"))


def test_only_a_single_layer_leaves_its_data_to_the_whole_picture() -> None:
    rule = Layer("zero").mark("rule")

    assert vega.layered([rule], height=10)["data"] == {"name": "zero"}
    assert [part["data"]["name"] for part in vega.layered([rule, rule])["layer"]] == ["zero", "zero"]
