"""The page on what is normal: every probe in words, spreads beside many fleets', what moved, who lies outside."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from example_normal import BEFORE, NORMAL
from page import Page

from pipeline.core.line_words import line_words
from pipeline.core.settings import Settings
from pipeline.probes import NAMES
from pipeline.probes.measured import OF_THREE_LINES, all_quantities
from pipeline.probes.measured import STRATA as EVERY_STRATUM
from pipeline.report import ReportInput
from pipeline.report.normal_chart import spread_chart, spread_rows
from pipeline.report.normal_drift import moved_since, unlike_others
from pipeline.report.normal_page import MOST_NAMES, normal_context
from pipeline.report.normal_words import (
    MEASURED,
    QUANTITIES,
    STRATA,
    quantity_name,
    scatter,
    what_is_measured,
)

LEGS = line_words(2)
SPACE = "\u00a0"  # lines don't break within a number and its unit


@pytest.fixture(scope="module")
def page(folder: Path) -> Page:
    return Page(folder / "normal.html")


def block(night: ReportInput, settings: Settings, name: str) -> dict:
    return next(b for b in normal_context(night, settings.verdict)["blocks"] if b["name"] == name)


def test_the_whole_catalogue_has_words() -> None:
    assert set(QUANTITIES) == {key for key, _, quantity in all_quantities(3) if quantity.is_compared}
    assert set(MEASURED) == set(NAMES) - {"register"}
    assert set(STRATA) == {f"{name}{end}" for name in EVERY_STRATUM for end in ("", OF_THREE_LINES)}


def test_a_fleet_with_three_lines_is_spoken_of_in_lines() -> None:
    lines = line_words(3)
    texts = [what_is_measured(name, lines) for name in MEASURED]
    texts += [quantity_name(*name.split("."), lines) for name in QUANTITIES]
    assert not [text for text in texts if {"leg", "legs", "L2's", "240"} & set(re.split(r"[ ,]", text))]
    assert quantity_name("pairs", "log_ratio", line_words(2)) == "L2's step over L1's"


def test_the_share_and_what_it_rests_on_stand_on_top(page: Page, settings: Settings) -> None:
    (lead,) = page.all("p", **{"class": "lead"})
    assert lead.text.startswith("9.3 % of this fleet's homes have a fault, by what the data of 993 homes")
    assert f"has the weight of {settings.verdict.rate_homes:.0f} homes" in lead.text


def test_each_probe_says_what_it_measures_and_how_homes_scatter(page: Page) -> None:
    text = page.all("main")[0].text
    assert [name for name in MEASURED if what_is_measured(name, LEGS) not in text] == ["wiring"]
    sun = page.all("section", **{"aria-labelledby": "normal-sun"})[0].text.replace(SPACE, " ")
    assert "CTs upstream of the solar tie-in: 184 homes0.996 ± 0.0320.999 ± 0.014" in sun
    assert "CTs at the loads: 40 homes0.001 ± 0.0110.000 ± 0.010" in sun
    phase = page.all("section", **{"aria-labelledby": "normal-phase"})[0].text
    assert "No home here has data for this probe." in phase


def test_homes_outside_are_counted_and_linked(page: Page, night: ReportInput) -> None:
    sun = page.all("section", **{"aria-labelledby": "normal-sun"})[0]
    outside = night.site_scores.filter(pl.col("contradiction_probe") == "sun")
    assert f"{outside.height} homes outside: " in sun.text
    assert all(site in sun.text for site in outside["site_id"])
    assert "0 homes outside." in page.all("section", **{"aria-labelledby": "normal-meter"})[0].text


def test_of_many_homes_outside_only_a_few_are_named(night: ReportInput, settings: Settings) -> None:
    scores = pl.concat([night.site_scores.with_columns(contradiction_probe=pl.lit("sun"))] * 50)
    outside_sun = block(replace(night, site_scores=scores), settings, "sun")
    assert (outside_sun["outside"], len(outside_sun["homes"])) == (scores.height, MOST_NAMES)


def test_drift_names_what_is_unlike_many_fleets_and_what_moved(page: Page) -> None:
    (unlike,) = unlike_others(NORMAL, LEGS)
    assert unlike.replace(SPACE, " ") == (
        "share of production seen, a leg (CTs upstream of the solar tie-in): scatters 2.2 times as wide as in many "
        "fleets; 0.996 ± 0.032 against 0.999 ± 0.014"
    )
    (moved,) = moved_since(NORMAL, BEFORE, LEGS)
    assert moved.replace(SPACE, " ") == (
        "hours from the sun's noon (CTs upstream of the solar tie-in): the middle lies 1.5 spreads above that in "
        "the run before; −0.04 ± 0.58 h against −0.90 ± 0.58 h"
    )
    text = page.all("main")[0].text
    assert unlike in text
    assert moved in text


def test_a_first_night_and_a_fleet_like_others_say_so(night: ReportInput, settings: Settings) -> None:
    alike = NORMAL.with_columns(own_spread="shipped_spread", own_centre="shipped_centre")
    context = normal_context(replace(night, fleet_normal=alike, fleet_normal_before=None), settings.verdict)
    assert (context["unlike"]["count"], context["is_first_night"]) == (0, True)
    few = NORMAL.with_columns(homes=pl.lit(5, dtype=pl.Int64))
    assert unlike_others(few, LEGS) == []


def test_a_night_without_any_normal_still_has_a_page(night: ReportInput, settings: Settings) -> None:
    context = normal_context(replace(night, fleet_normal=NORMAL.clear()), settings.verdict)
    assert all(b["figure"].spec is None and not b["main"] for b in context["blocks"])


@pytest.mark.parametrize(
    ("quantity", "unit", "centre", "spread", "text"),
    [
        ("gain", "-", 0.998, 0.0143, "0.998 ± 0.014"),
        ("negative_share", "-", 0.003, 0.002, "0.30 ± 0.20 %"),
        ("middle", "asinh(W/20)", 2.83, 1.12, "169 W (53 to 519)"),
        ("log_ratio", "-", 0.0, 0.05, "1.000 (0.951 to 1.051)"),
        ("lead", "deg", -0.01, 0.5, "−0.01 ± 0.50 °"),
        ("gain", "-", None, None, "–"),
    ],
)
def test_scatter_reads_in_the_quantitys_own_unit(
    quantity: str, unit: str, centre: float | None, spread: float | None, text: str
) -> None:
    assert scatter(quantity, unit, centre, spread=spread) == text.replace(" ", SPACE)


def test_the_picture_has_a_row_a_name_and_stratum_and_cuts_at_its_ends() -> None:
    one = {"quantity": "a", "stratum": "upstream", "own": 3.0, "shipped": 1.0, "values": 40}
    names, dots = spread_rows([one, one | {"stratum": "at the loads", "own": 90.0}, one | {"quantity": "b"}])
    assert [(name["row"], name["name"]) for name in names] == [(0, "a"), (3, "b")]
    assert [dot["row"] for dot in dots] == [1, 2, 4]
    assert dots[0]["low"] < dots[0]["ratio"] == 3.0 < dots[0]["high"]
    assert dots[1]["ratio"] == 8.0
    assert spread_chart([]) is None
