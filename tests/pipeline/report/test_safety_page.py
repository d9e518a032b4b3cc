"""A safety call's page: what to do and what not to first, then the numbers as they are in the table."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
import vl_convert
from example import CASES, TRAVERSAL
from example_safety import call, safety_calls, voltage_days_of
from page import Page

from pipeline.core.settings import Settings
from pipeline.report import ReportInput, safety_words, write_report
from pipeline.report.safety_page import measured_rows, safety_page_of
from pipeline.report.voltage_chart import voltage_picture

LOOSE = CASES[1].site_id


def page_of(folder: Path, site_id: str = LOOSE) -> Page:
    return Page(folder / safety_page_of(site_id))


def test_what_to_do_and_not_to_touch_comes_before_the_numbers(folder: Path) -> None:
    page = page_of(folder)
    text = page.all("main")[0].text
    assert page.mistakes == []
    assert page.all("p", role="alert")[0].text == safety_words.summary()
    parts = (
        safety_words.TITLE, "call now", safety_words.summary(), *safety_words.CALLS, safety_words.utility_script(),
        *safety_words.HANDS_OFF, *safety_words.LEAVE, safety_words.GOVERN, "What was measured", "What it may be",
        *safety_words.MAY_BE, *safety_words.looks_like(),
    )  # fmt: skip
    places = [text.index(part) for part in parts]
    assert places == sorted(places)


def test_the_numbers_are_those_of_the_table(folder: Path, settings: Settings) -> None:
    text = page_of(folder).all("table")[0].text
    assert "−2.50 ± 0.04 V" in text
    assert "+2.40 ± 0.05 V" in text
    assert f"under {settings.verdict.neutral_v_per_kw:g} V" in text
    assert "about 0.29 Ω" in text  # 2.4 V per kW on 120 V
    assert "9 nights, 2026-06-06 to 2026-06-14" in text


def test_the_picture_has_each_day_and_its_caption_the_range(folder: Path, settings: Settings) -> None:
    page = page_of(folder)
    spec = json.loads(page.all("script", id="volts-spec")[0].text)
    assert len(spec["datasets"]["days"]) == 24
    assert "moves by 2.39 to 2.51 V for each kW" in page.all("figcaption", id="volts-caption")[0].text
    drawn = voltage_picture(voltage_days_of(LOOSE), settings.verdict.neutral_v_per_kw)
    assert drawn == spec
    assert "<path" in vl_convert.vegalite_to_svg(drawn)
    assert voltage_picture(voltage_days_of(LOOSE, count=0), 1.2) is None


def test_its_cts_and_their_place_on_the_list_wait(folder: Path) -> None:
    page = page_of(folder)
    assert (
        "91 % likely to have a CT fault: suspect. It stands on the list at rank 3" in page.all("main")[0].text
    )
    listed = Page(folder / "home" / page.path.name)
    assert "Safety call first" in listed.all("p", role="alert")[0].text
    assert any(link.attributes["href"] == f"../{safety_page_of(LOOSE)}" for link in listed.all("a"))


def test_a_call_that_was_never_measured_says_so(folder: Path) -> None:
    page = page_of(folder, TRAVERSAL)
    assert "No night of this record has measured it" in page.all("main")[0].text
    assert page.all("p", **{"class": "no-chart"})[0].text == "No day in the window tells."


@pytest.mark.parametrize("site_id", ["<b>gone</b>", "../gone"])
def test_a_home_that_left_the_register_still_has_its_page(
    tmp_path: Path, night: ReportInput, settings: Settings, site_id: str
) -> None:
    write_report(tmp_path, replace(night, safety_call=safety_calls(call(site_id))), settings)
    page = page_of(tmp_path, site_id)
    assert page.mistakes == []
    assert page.all("h1")[0].text.startswith(site_id)
    assert "the home is no longer in the site record" in page.all("main")[0].text


def test_the_resistance_follows_the_services_volts(settings: Settings) -> None:
    row = call(LOOSE)
    for service, ohm in (("120/240", "about 0.29 Ω"), ("120/208", "about 0.29 Ω"), (None, "about 0.29 Ω")):
        assert ohm in [value for _, value, _ in measured_rows(row, service, settings.verdict)]
    assert measured_rows(call(LOOSE, v_per_kw=None), None, settings.verdict) == []


def test_a_call_beyond_the_pages_leads_to_its_record(
    night: ReportInput, settings: Settings, tmp_path: Path
) -> None:
    one = settings.report.model_copy(update={"home_pages": 1})
    write_report(tmp_path, night, settings.model_copy(update={"report": one}))
    box = (
        (tmp_path / "index.html").read_text(encoding="utf-8").split('id="safety-title"')[1].split("</ul>")[0]
    )
    assert [path.name for path in (tmp_path / "safety").iterdir()] == [Path(safety_page_of(LOOSE)).name]
    assert [link.split('"')[0].split("#")[0] for link in box.split('href="')[1:]] == [
        safety_page_of(LOOSE),
        "homes.html",
    ]


def test_three_lines_are_measured_pair_by_pair_and_spoken_of_as_lines(settings: Settings) -> None:
    sizes = {"v_per_kw_l1": -1.9, "v_per_kw_l1_se": 0.1, "v_per_kw_l2": 2.1, "v_per_kw_l2_se": 0.1}
    pairs = {f"{name}{pair}": size for pair in ("_23", "_31") for name, size in sizes.items()}
    rows = measured_rows(call("three", **pairs), "230/400", settings.verdict)
    named = [what for what, _, _ in rows]
    assert named[:6] == [
        f"V{one} − V{other} for each kW of L{line} as read"
        for one, other in ((1, 2), (2, 3), (3, 1))
        for line in (one, other)
    ]
    assert [right.split(",")[0] for _, _, right in rows[:6]] == ["minus", "plus"] * 3
    assert named[6:8] == [
        "Between two lines for each kW that flows, less of their two loads",
        "As a resistance, of one line and one and a half times the neutral",
    ]
    said = (safety_words.summary(3), safety_words.utility_script(3), *safety_words.looks_like(3))
    assert not re.search(r"\blegs?\b", " ".join(said))
    assert "the three lines' voltages" in safety_words.utility_script(3)
    two = measured_rows(call("two"), "120/240", settings.verdict)
    assert [what for what, _, _ in two][:2] == [f"V1 − V2 for each kW of L{line} as read" for line in (1, 2)]
    assert two[3][0] == "As a resistance, of one leg and twice the neutral"
