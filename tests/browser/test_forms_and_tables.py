"""What a reader does with hands: fills in a visit's form, saves the list, sorts a table by keyboard."""

from __future__ import annotations

import csv
import re
import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers

LAKE = Path(__file__).parents[2] / "sample_lake"
HOME = "H00037"
NOTE = '=hidden, said "loose"'


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    context = browser.new_context(offline=True, accept_downloads=True, viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.on("pageerror", lambda error: pytest.fail(str(error)))
    yield page
    context.close()


def test_a_form_filled_on_a_phone_gives_a_row_of_visits_csv(
    page: Any, sample_out: Path, tmp_path: Path
) -> None:
    (form,) = sample_out.glob(f"orders/*/forms/{HOME.lower()}-*.html")
    page.goto(form.as_uri())
    page.click("#save")
    assert "found" in page.locator("[data-wrong]:visible").first.get_attribute("data-wrong")
    page.fill("#visited_on", "2026-06-15")
    page.fill("#crew_id", "C03")
    page.check("input[name=found][value=opposed_pair]")
    page.check("input[name=leg][value=l2]")
    page.check("input[name=fixed][value=true]")
    page.fill("#note", NOTE)
    with page.expect_download() as saved:
        page.click("#save")

    lake = shutil.copytree(LAKE, tmp_path / "lake", ignore=shutil.ignore_patterns("intervals"))
    (lake / "intervals").symlink_to(LAKE / "intervals")
    row = Path(saved.value.path()).read_text(encoding="utf-8-sig").splitlines()[-1]
    with (lake / "visits.csv").open("a", encoding="utf-8") as visits:
        visits.write(f"{row}\n")
    read = read_registers(open_lake(lake), date(2026, 6, 16))

    assert read.rejects.is_empty()
    (visit,) = read.visits.filter(visited_on=date(2026, 6, 15)).to_dicts()
    assert {name: visit[name] for name in ("site_id", "crew_id", "found", "leg", "fixed")} == {
        "site_id": HOME, "crew_id": "C03", "found": "opposed_pair", "leg": "l2", "fixed": True,
    }  # fmt: skip
    assert read.notes.filter(visit_id=visit["visit_id"])["note"].to_list() == [f"'{NOTE}"]


def test_the_list_is_saved_as_filtered(page: Any, sample_out: Path) -> None:
    page.goto((sample_out / "latest/report/index.html").resolve().as_uri())
    page.select_option(
        "[data-filter=fix_by]", label=page.locator("[data-filter=fix_by] option").nth(1).inner_text()
    )
    shown = page.locator("tr[data-rank]:visible").count()
    with page.expect_download() as saved:
        page.click("#csv")
    text = Path(saved.value.path()).read_text(encoding="utf-8-sig")
    rows = list(csv.DictReader(text.splitlines()))
    listed = pl.read_parquet(sample_out / "latest/revisit_list.parquet").filter(fix_by=rows[0]["fix_by"])
    assert [row["site_id"] for row in rows] == listed.sort("rank")["site_id"].to_list()
    assert len(rows) == shown


def test_crews_are_sorted_by_keyboard_and_those_without_a_rank_stay_last(page: Any, sample_out: Path) -> None:
    page.set_viewport_size({"width": 1400, "height": 900})
    page.goto((sample_out / "latest/report/crews.html").resolve().as_uri())
    heading = page.locator(".sortable th[data-sort=crew]")
    heading.locator("button").focus()
    page.keyboard.press("Enter")
    assert heading.get_attribute("aria-sort") == "ascending"
    rows = page.locator(".sortable tbody tr")
    crews = [
        (row.get_attribute("data-last") is not None, row.get_attribute("data-crew")) for row in rows.all()
    ]
    assert len(crews) == 5
    assert crews == sorted(crews)


def test_an_order_leads_to_its_home_in_the_report_and_on_to_the_homes_page(
    page: Any, sample_out: Path
) -> None:
    (order,) = sample_out.glob(f"orders/*/{HOME.lower()}-*.html")
    page.goto(order.absolute().as_uri())
    page.click("text=This home in the report")
    page.wait_for_selector(f"text={HOME}")
    page.click("[data-page] a:visible")
    assert page.inner_text("h1").startswith(HOME)
    page.click("text=Crew C04")
    assert "crews.html#crew-" in page.url


def test_every_link_of_orders_and_plan_leads_to_a_file(sample_out: Path) -> None:
    for sheet in [*sample_out.glob("orders/*/*.html"), *sample_out.glob("dispatch/*/*.html")]:
        for link in re.findall(r'href="([^"#]+)', sheet.read_text(encoding="utf-8")):
            assert (sheet.parent / link).exists(), f"{sheet.name}: {link}"
