"""The page of a home with three lines, looked at by a browser: on a phone, dark, and in print."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

import pypdf
import pytest
from example_three_lines import HOME, LOOK_AT, three_line_night

from pipeline.core.settings import load_settings
from pipeline.report import write_report
from pipeline.report.names import page_name

WIDE, PHONE = {"width": 1400, "height": 900}, {"width": 390, "height": 844}
SERIOUS = ("serious", "critical")


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("three")
    write_report(folder, three_line_night(), load_settings())
    return folder / "home" / page_name(HOME)


def unfold(page: Any) -> None:
    page.evaluate("document.querySelectorAll('details').forEach(fold => { fold.open = true; })")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_picture_is_drawn_and_nothing_scrolls_sideways_on_a_phone(
    path: Path, opened: Any, scheme: str
) -> None:
    page, complaints = opened(path, viewport=PHONE, color_scheme=scheme)
    unfold(page)
    page.wait_for_function(
        "[...document.querySelectorAll('[data-spec]')].every(chart => chart.querySelector('svg, canvas'))"
    )
    assert complaints == []
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert page.locator("#pair-31 svg, #pair-31 canvas").count() == 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_and_structure_are_right(path: Path, opened: Any, scheme: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page, _ = opened(path, viewport=WIDE, color_scheme=scheme)
    unfold(page)
    found = Axe().run(page).response["violations"]
    assert [one["help"] for one in found if one["impact"] in SERIOUS] == []


def test_the_wirings_are_printed_with_what_to_look_at(path: Path, opened: Any) -> None:
    page, _ = opened(path, viewport=WIDE)
    sheets = pypdf.PdfReader(BytesIO(page.pdf(format="Letter", print_background=True))).pages
    text = " ".join(" ".join(sheet.extract_text() for sheet in sheets).split())
    assert "CT of channel L2 is on line L1, turned" in text
    assert LOOK_AT in text
