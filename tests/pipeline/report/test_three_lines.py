"""A home with three lines: each line has its own mark and right slope, pairs and wirings are shown, no leg is named."""

from __future__ import annotations

import json
import re
from pathlib import Path

import polars as pl
import pytest
from example_three_lines import HOME, LOOK_AT, SHARES, WIRINGS, three_line_night
from page import Page

from pipeline.core.settings import Settings, load_settings
from pipeline.core.wiring_text import spell_wiring
from pipeline.report import ReportInput, words, write_report
from pipeline.report.crew_homes_page import crew_contexts
from pipeline.report.figures import Figure
from pipeline.report.home_lines import with_line_counts
from pipeline.report.home_page import convincing_figures
from pipeline.report.home_records import home_records
from pipeline.report.names import page_name
from pipeline.report.right_slopes import expected_slopes, right_slopes, right_text
from pipeline.report.wiring_panel import wiring_panel

LINES = ("l1", "l2", "l3")
LEGS = re.compile(r"\blegs?\b|240 V")


@pytest.fixture(scope="module")
def three() -> ReportInput:
    return three_line_night()


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory, three: ReportInput, settings: Settings) -> Path:
    folder = tmp_path_factory.mktemp("three")
    write_report(folder, three, settings)
    return folder


@pytest.fixture(scope="module")
def page(pages: Path) -> Page:
    return Page(pages / "home" / page_name(HOME))


def spec(page: Page, name: str) -> dict:
    return json.loads(page.all("script", id=f"{name}-spec")[0].text)


def test_its_page_has_a_picture_a_line_and_a_pair(page: Page) -> None:
    figures = {figure.attributes["id"] for figure in page.all("figure")}
    assert {f"{kind}-{line}" for kind in ("map", "pv") for line in LINES} <= figures
    assert {"pair-12", "pair-23", "pair-31"} <= figures
    assert page.mistakes == []


def test_the_pairs_of_the_faults_own_lines_convince() -> None:
    figures = [Figure(name, name, {}, "", "") for name in ("slopes", "pair-12", "pair-23", "pair-31")]

    def chosen(*lines: str) -> list[str]:
        kinds = ("leg_against_leg", "daily_slopes")
        return [figure.id for figure in convincing_figures(figures, kinds, lines, at_loads=False)]

    assert chosen("l2") == ["pair-12", "pair-23"]
    assert chosen("l1", "l3") == ["pair-31", "slopes"]


@pytest.mark.parametrize("name", ["nights", "slopes"])
def test_lines_differ_by_colour_and_by_shape(page: Page, name: str) -> None:
    dots = next(layer for layer in spec(page, name)["layer"] if layer["mark"]["type"] == "point")
    for channel in ("color", "shape"):
        scale = dots["encoding"][channel]["scale"]
        assert scale["domain"] == ["L1", "L2", "L3"]
        assert len(set(scale["range"])) == 3


def test_each_line_is_held_against_its_own_right_slope(page: Page, three: ReportInput) -> None:
    (score,) = three.site_scores.filter(site_id=HOME).to_dicts()
    expected = expected_slopes(score, LINES)
    assert isinstance(expected, dict)
    assert [expected[line] for line in LINES] == [0.0, -0.5, -0.5]
    assert right_slopes(expected, LINES) == [-0.5, 0.0]
    said = right_text(expected, LINES)
    assert said == "0.00 on L1, −0.50 on L2 and L3"
    caption = page.all("figcaption", id="slopes-caption")[0].text
    assert f"right is {right_text(expected, LINES, ' W per W')}. " in caption
    assert "right is 0.00." in page.all("figcaption", id="pv-l1-caption")[0].text
    assert [row["slope"] for row in spec(page, "slopes")["datasets"]["expected"]] == [-0.5, 0.0]


def test_production_that_feeds_all_lines_alike_has_one_right_slope() -> None:
    score = {"slope_expected": -1 / 3} | {f"pv_share_{line}": 1 / 3 for line in LINES}
    assert expected_slopes(score, LINES) == score["slope_expected"]
    assert right_text(score["slope_expected"], LINES) == "−0.33"
    assert sum(SHARES) == 1


def test_the_wirings_stand_in_plain_words_the_likeliest_first(page: Page) -> None:
    (panel,) = [table for table in page.all("table") if "wirings" in table.attributes["class"]]
    places = [panel.text.index(words.sentence(spell_wiring(code).split("; ")[0])) for code, _ in WIRINGS]
    assert places == sorted(places)
    assert "CT of channel L2 is on line L1, turned." in panel.text
    assert all(words.percent(share) in panel.text for _, share in WIRINGS)
    assert "All other wirings together" in panel.text
    assert any(LOOK_AT in line.text for line in page.all("p"))


def test_a_wiring_that_is_surely_right_is_said_in_a_sentence() -> None:
    columns = {"site_id": HOME, "wiring": "l1+ l2+ l3+", "likelihood": 0.97, "look_at": LOOK_AT}
    panel = wiring_panel(pl.DataFrame([columns]), HOME)
    assert panel == {"rows": [], "right": "97 %", "look_at": None, "rest": None}
    unsure = wiring_panel(pl.DataFrame([columns | {"likelihood": 0.9}]), HOME)
    assert unsure is not None
    assert (len(unsure["rows"]), unsure["look_at"], unsure["rest"]) == (1, None, "10 %")


def test_a_home_or_night_without_wirings_has_no_panel(pages: Path, three: ReportInput) -> None:
    assert "Which wirings" not in (pages / "home" / page_name("MH-20980")).read_text()
    assert wiring_panel(None, HOME) is None
    assert wiring_panel(three.wiring.drop("look_at"), HOME) is None  # type: ignore[union-attr]
    assert wiring_panel(three.wiring, "MH-20980") is None


def test_its_own_words_name_lines_and_the_other_homes_keep_their_legs(page: Page, pages: Path) -> None:
    (lead,) = page.all("p", **{"class": "lead"})
    assert lead.text.startswith("CTs on each other's line, L1 and L2")
    told = [*page.all("figcaption"), *page.all("h2"), *page.all("dd"), *page.all("dt"), *page.all("summary")]
    assert [element.text for element in told if LEGS.search(element.text)] == []
    facts = [fact.text for fact in page.all("dt")]
    assert {"CTs per line", "Production feeds"} <= set(facts)
    two = Page(pages / "home" / page_name("MH-20980"))
    assert two.all("p", **{"class": "lead"})[0].text.startswith("CTs on each other's leg, both legs")
    assert "CTs per leg" in [fact.text for fact in two.all("dt")]


def test_pages_about_the_fleet_speak_of_lines(pages: Path) -> None:
    assert "the lines' voltages move apart" in (pages / "homes.html").read_text()
    measured = Page(pages / "normal.html").all("main")[0].text
    assert not LEGS.search(measured)
    assert "CTs on each other&#39;s line<" in (pages / "index.html").read_text()


def test_a_home_of_a_crew_is_in_the_words_of_its_lines_and_one_line_needs_no_name(three: ReportInput) -> None:
    scores = with_line_counts(three.site_scores, three.sites)
    counts = dict(scores.select("site_id", "line_count").iter_rows())
    shown = [
        home
        for _, context in crew_contexts(three.crews, scores, load_settings().crews)
        for home in context["homes"]
    ]
    assert shown
    assert {home["site_id"]: home["line_count"] or 2 for home in shown} == {
        home["site_id"]: counts.get(home["site_id"], 2) for home in shown
    }
    assert words.leg("both", 1) == ""
    assert words.suspicion("wrong_ratio", "both", line_count=1) == words.fault("wrong_ratio")


def test_its_record_has_every_slope_and_which_lines_production_feeds(three: ReportInput) -> None:
    (score,) = three.site_scores.filter(site_id=HOME).to_dicts()
    (record,) = home_records(three, {}).filter(site_id=HOME).to_dicts()
    slopes = [f"{line.upper()} {words.number(score[f'slope_{line}'], 2, sign=True)}" for line in LINES]
    assert record["slopes"].startswith(", ".join(slopes))
    assert record["slopes"].endswith("right is −0.50 on L2, L3, 0.00 elsewhere")
    assert (record["fault"], record["leg"]) == ("CTs on each other's lines", "L1 and L2")
    (other,) = home_records(three, {}).filter(site_id="MH-20980").to_dicts()
    assert other["slopes"].endswith("right is −0.50 a leg")


def test_one_line_is_said_to_be_the_home(three: ReportInput) -> None:
    is_single = pl.col("site_id") == "single-9"
    scores = three.site_scores.with_columns(
        slope_l1=pl.when(is_single).then(-0.98).otherwise("slope_l1"),
        slope_expected=pl.when(is_single).then(-1.0).otherwise("slope_expected"),
    )
    records = home_records(ReportInput(**{**vars(three), "site_scores": scores}), {})
    (record,) = records.filter(site_id="single-9").to_dicts()
    assert record["slopes"] == "L1 −0.98 W per W of PV, right is −1.00"
