"""Pages say what the tables say, take hostile ids as text, and show nothing private."""

from __future__ import annotations

import json
import re
from datetime import timedelta
from pathlib import Path

import altair
import polars as pl
import pytest
import vl_convert
from corrected_homes import AS_OF, DAY, HOSTILE, corrected_rows, episode, episodes, write_days, write_fleet
from page import Page

from pipeline.core.settings import Settings
from pipeline.correction import statement_words
from pipeline.correction.statement_chart import daily_energy
from pipeline.correction.write_statement import write_statement
from pipeline.report.names import page_name

HOMES = ("sunny", "half", "blind", HOSTILE)


def page_of(written, site_id: str) -> Page:
    return Page(written.folder / "report" / "home" / page_name(site_id))


def read(text: str) -> float:
    """Return a number as a page writes it."""
    return float(text.replace("\u202f", "").replace("−", "-"))


def cells(page: Page, label: str) -> list[str]:
    return [cell.text for cell in page.all("td", **{"data-label": label})]


@pytest.mark.parametrize("site_id", HOMES)
def test_a_homes_numbers_are_those_of_the_tables(written, site_id: str) -> None:
    page = page_of(written, site_id)
    row = written.table("statement").filter(site_id=site_id).row(0, named=True)
    months = written.table("statement_month").filter(site_id=site_id).sort("month").to_dicts()
    quantities = [
        line.attributes["data-quantity"] for line in page.all("tr") if "data-quantity" in line.attributes
    ]
    first = quantities[0]

    reported, right = (cells(page, label) for label in ("Reported", "Put right"))
    wanted = [row[f"{name}_kwh_reported"] for name in quantities] + [
        m[f"{first}_kwh_reported"] for m in months
    ]
    assert [read(text) for text in reported] == pytest.approx(wanted, abs=0.5)
    wanted = [row[f"{name}_kwh_corrected"] for name in quantities] + [
        m[f"{first}_kwh_corrected"] for m in months
    ]
    assert [read(text) for text in right] == pytest.approx(wanted, abs=0.5)
    for text, name in zip(cells(page, "Range (95 %)"), quantities, strict=False):
        ends = [row[f"{name}_kwh_{end}"] for end in ("low", "high")]
        assert (
            text == "exact"
            if ends[0] == ends[1]
            else [read(end) for end in text.split(" to ")] == pytest.approx(ends, abs=0.5)
        )
    assert [read(text) for text in cells(page, "Hours left empty")] == [m["hours_empty"] for m in months]
    assert page.mistakes == []


@pytest.mark.parametrize("site_id", HOMES)
def test_a_homes_sentences_are_those_of_the_tables(written, site_id: str) -> None:
    page, row = (
        page_of(written, site_id),
        written.table("statement").filter(site_id=site_id).row(0, named=True),
    )
    lead = page.all("p", **{"class": "lead"})[0].text
    days, *numbers = (read(text) for text in re.findall(r"−?\d[\d\u202f]*(?:\.\d)?", lead))
    wanted = [row["use_kwh_reported"], row["use_kwh_corrected"]]
    wanted = (
        wanted
        if row["use_kwh_low"] == row["use_kwh_high"]
        else [*wanted, row["use_kwh_low"], row["use_kwh_high"]]
    )
    wanted = wanted if row["hours_use"] == row["hours"] else [row["hours_use"], row["hours"], *wanted]
    assert days == row["days"]
    assert numbers == pytest.approx(wanted, abs=0.5)
    ways = page.all("p", **{"class": "ways"})[0].text
    for hours in ("hours_exact", "hours_estimated", "hours_empty"):
        if row[hours]:
            assert statement_words.hours_of(row[hours]) in ways
    texts = [one.text for one in page.all("li")]
    reasons = written.table("statement_reason").filter(
        pl.col("site_id") == site_id, pl.col("reason").is_not_null()
    )
    for reason in reasons.to_dicts():
        assert any(
            reason["reason"] in text and statement_words.hours_of(reason["hours"]) in text for text in texts
        )


def test_the_meter_is_spoken_of_where_it_counted(written) -> None:
    row = written.table("statement").filter(site_id="sunny").row(0, named=True)
    said = " ".join(one.text for one in page_of(written, "sunny").all("p", **{"class": "meter"}))
    for name in (
        "meter_import_kwh",
        "meter_export_kwh",
        "meter_net_kwh",
        "meter_net_kwh_reported",
        "meter_net_kwh_corrected",
    ):
        assert statement_words.kwh(row[name]) in said
    assert "100 %" in said
    assert "under 1 %" in said
    assert "nothing to compare" in " ".join(
        p.text for p in page_of(written, "half").all("p", **{"class": "meter"})
    )


def test_a_suspected_fault_has_its_likelihood_and_its_rival_beside_it(written) -> None:
    half, found = page_of(written, "half").all("main")[0].text, page_of(written, HOSTILE).all("main")[0].text
    assert "Suspected: part of the load outside the CTs, L1" in half
    assert "84 % this fault" in half
    assert "CT not closed, L1 (11 %)" in half
    assert "still there on 12 Jul 2026" in half
    assert "Found: CTs on each other's legs" in found
    assert "%" not in found.split("Found on a visit")[1].split("kWh over")[0]


def test_the_first_pages_numbers_are_those_of_the_tables(written) -> None:
    page = Page(written.folder / "report" / "index.html")
    fleet, homes = written.table("statement_fleet"), written.table("statement")
    total = fleet.row(0, named=True)
    lead = page.all("p", **{"class": "lead"})[0].text
    for name in ("use_kwh_reported", "use_kwh_corrected"):
        assert statement_words.kwh(total[name]) in lead
    assert {cell.text for cell in page.all("bdi")} == set(homes["site_id"])
    right = [read(text) for text in cells(page, "Put right")]
    in_order = homes.sort(pl.col("use_kwh_difference").abs(), descending=True)["use_kwh_corrected"]
    assert right == pytest.approx([*in_order, *fleet["use_kwh_corrected"][1:]], abs=0.5)
    assert "The readings are right; the site record is wrong." in page.all("main")[0].text
    assert (written.summary.homes, written.summary.not_corrected) == (4, 2)
    assert (written.summary.kwh_reported, written.summary.kwh_corrected) == (
        total["use_kwh_reported"], total["use_kwh_corrected"],
    )  # fmt: skip
    assert page.mistakes == []


def test_links_lead_to_files(written) -> None:
    pages = sorted((written.folder / "report").rglob("*.html"))
    links = [(page, link.attributes["href"]) for page in pages for link in Page(page).all("a")]
    assert len(links) > 10
    for page, link in links:
        assert link.startswith("#") or (page.parent / link.split("#")[0]).is_file(), (page, link)


def test_nothing_private_and_no_markup_of_an_id_gets_onto_a_page(written) -> None:
    for page in (written.folder / "report").rglob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert re.search("Secret Lane|A. Person|gate 1234", text) is None
        assert "<b onload" not in text
        assert re.search(r"https?://(?!vega\.github\.io/schema)", text) is None
    assert written.summary.index == written.folder / "report" / "index.html"


def test_pages_stop_at_the_setting_and_old_ones_go(tmp_path: Path, settings: Settings) -> None:
    folder = tmp_path / "corrected"
    table, sites = write_fleet(folder)
    write_statement(folder, table, sites, as_of=AS_OF, settings=settings)
    first = {path: path.read_bytes() for path in folder.rglob("*.*") if path.is_file()}
    write_statement(folder, table, sites, as_of=AS_OF, settings=settings)
    assert {path: path.read_bytes() for path in folder.rglob("*.*") if path.is_file()} == first

    few = settings.model_copy(update={"correction": settings.correction.model_copy(update={"home_pages": 1})})
    write_statement(folder, table, sites.head(0), as_of=AS_OF, settings=few)
    assert [path.name for path in (folder / "report/home").iterdir()] == [page_name(HOSTILE)]
    index = (folder / "report/index.html").read_text(encoding="utf-8")
    assert "1 of 4 are shown" in index


def test_without_corrected_readings_there_is_still_a_page(tmp_path: Path, settings: Settings) -> None:
    sites = pl.DataFrame(schema={"site_id": pl.String})
    summary = write_statement(tmp_path / "corrected", episodes(), sites, as_of=AS_OF, settings=settings)
    assert (summary.homes, summary.kwh_reported, summary.not_corrected) == (0, 0.0, 0)
    assert "No readings were put right." in summary.index.read_text(encoding="utf-8")


@pytest.mark.parametrize("site_id", HOMES)
def test_the_picture_has_the_days_of_the_table(written, site_id: str) -> None:
    days = written.table("statement_day").filter(site_id=site_id)
    (spec,) = [
        found
        for script in page_of(written, site_id).all("script", type="application/json")
        if "$schema" in (found := json.loads(script.text))
    ]
    altair.LayerChart.validate(spec)
    right = {row["day"]: row["kwh"] for row in spec["datasets"]["days"] if row["is"] == "put right"}
    known = {str(row["day"]): row["use_kwh_corrected"] for row in days.to_dicts()}
    assert {day for day, value in right.items() if value is not None} == set(known)
    assert right | {day: pytest.approx(value, abs=0.01) for day, value in known.items()} == right
    assert ("range" in spec["datasets"]) == (site_id in ("half", "blind"))
    assert "mark-symbol" in vl_convert.vegalite_to_svg(spec)


def test_no_days_are_no_picture(written) -> None:
    assert daily_energy(written.table("statement_day").clear(), "use", "kWh") is None


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory, settings: Settings) -> Path:
    """Homes that are not like the others: all empty, a battery of unknown power, two faults one after the other."""
    folder = tmp_path_factory.mktemp("odd") / "corrected"
    later = DAY + timedelta(days=3)
    gone = {"l1_w": None, "method": "empty", "reason": "no reading"}
    write_days(
        folder, corrected_rows("gone", **gone), corrected_rows("storage", pv_w=500.0), corrected_rows("twice"),
        corrected_rows("twice", later, fault="legs_crossed", leg="both", l2_w_reported=-300.0, l1_w_reported=-200.0),
    )  # fmt: skip
    table = episodes(
        episode("gone"), episode("storage", has_battery=True), episode("twice", to_on=DAY, ended_by="visit"),
        episode("twice", fault="legs_crossed", leg="both", from_on=later),
    )  # fmt: skip
    sites = pl.DataFrame({"site_id": ["gone"]})
    write_statement(folder, table, sites, as_of=AS_OF, settings=settings)
    return folder


def test_a_home_left_empty_has_a_page_that_says_why(odd: Path) -> None:
    page = Page(odd / "report/home" / page_name("gone"))
    text = page.all("main")[0].text
    assert "None of these readings could be put right." in text
    assert "24 h left empty: no reading." in text
    assert page.all("table") == []
    index = Page(odd / "report/index.html")
    assert index.all("p", **{"class": "lead"})[0].text.startswith("Readings of 2 homes were put right")
    assert [cell.text for cell in index.all("bdi")] == ["twice", "twice", "storage", "gone"]
    left = pl.read_parquet(odd / "not_corrected.parquet")
    assert left.select("site_id", "reason").rows() == [("gone", "no reading")]


def test_where_use_is_unknown_the_page_leads_with_the_net_reading(odd: Path) -> None:
    text = Page(odd / "report/home" / page_name("storage")).all("main")[0].text
    assert "Net reading (taken less given) on 1 day with readings: the monitor reported −2.4 kWh" in text
    assert "In 24 h the household use can't be worked out" in text


def test_two_faults_of_a_home_are_two_parts_of_its_page(odd: Path) -> None:
    page = Page(odd / "report/home" / page_name("twice"))
    titles = [title.text for title in page.all("h2")]
    assert titles[:2] == ["Suspected: CT reversed, L1", "Suspected: CTs on each other's legs, both legs"]
    assert len({one.attributes["id"] for one in page.all("figure")}) == 2
    assert "a visit put it right on the next day" in page.all("main")[0].text
    assert page.mistakes == []


def test_a_fault_is_named_in_the_words_of_the_homes_lines(tmp_path: Path, settings: Settings) -> None:
    folder = tmp_path / "corrected"
    table, sites = write_fleet(folder)
    is_home = pl.col("site_id") == HOSTILE
    table = table.with_columns(leg=pl.when(is_home).then(pl.lit("l1+l2")).otherwise("leg"))
    sites = sites.with_columns(service=pl.when(is_home).then(pl.lit("230/400")).otherwise("service"))

    write_statement(folder, table, sites, as_of=AS_OF, settings=settings)

    page = Page(folder / "report" / "home" / page_name(HOSTILE))
    headings = [heading.text for heading in page.all("h2")]
    assert "Found: CTs on each other's lines, L1 and L2" in headings
    assert not re.search(r"\blegs?\b", page.all("main")[0].text)
    index = [
        cell.text for cell in Page(folder / "report" / "index.html").all("td", **{"data-label": "Fault"})
    ]
    assert "CTs on each other's lines, L1 and L2" in index
    assert any(text.endswith(", L1") for text in index)
