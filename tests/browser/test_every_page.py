"""Every page of a night, its orders and its plan, looked at by a browser: wide, on a phone, dark and in print."""

from __future__ import annotations

from collections import defaultdict
from io import BytesIO
from pathlib import Path
from typing import Any

import pypdf
import pytest

WIDE, PHONE = {"width": 1400, "height": 900}, {"width": 390, "height": 844}
SERIOUS = ("serious", "critical")


def kind_of(page: Path, out: Path) -> str:
    """Return what pages are alike: "report/index.html", "report/home", "orders", "corrected/home"."""
    place = page.relative_to(out.resolve()).parts
    if place[0] == "corrected":
        return "/".join(("corrected", *place[2:-1]))
    inside = place[place.index("report") :] if "report" in place else place
    return (
        inside[0]
        if inside[0] in ("orders", "dispatch")
        else "/".join(inside[: max(1, len(inside) - 1)] or inside)
    )


@pytest.fixture(scope="module")
def pages(sample_out: Path) -> dict[str, list[Path]]:
    """All pages by kind; files of a kind have one template."""
    out, found = sample_out, defaultdict(list)
    for page in sorted([*(out / "latest").resolve().rglob("*.html"), *out.glob("orders/**/*.html"),
                        *out.glob("dispatch/**/*.html"), *out.glob("corrected/report/**/*.html")]):  # fmt: skip
        found[kind_of(page, out)].append(page)
    # pages of one folder that aren't alike stand for themselves
    top = {f"report/{page.name}": [page] for page in found.pop("report", [])}
    return top | found


def all_pages(pages: dict[str, list[Path]]) -> list[Path]:
    return [page for alike in pages.values() for page in alike]


def test_there_is_a_page_of_every_kind(pages: dict[str, list[Path]]) -> None:
    assert {"report/index.html", "report/home", "orders", "dispatch", "corrected", "corrected/home"} <= set(
        pages
    )


def test_no_page_complains_or_scrolls_sideways_on_a_phone(pages: dict[str, list[Path]], opened: Any) -> None:
    wrong = []
    for path in all_pages(pages):
        page, complaints = opened(path, viewport=PHONE, color_scheme="dark")
        width = page.evaluate("document.documentElement.scrollWidth")
        wrong += [f"{path.name}: {text}" for text in complaints]
        if width > PHONE["width"]:
            wide = page.evaluate(
                "[...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > innerWidth + 1)"
                ".slice(0, 3).map(e => e.tagName + '.' + e.className)"
            )
            wrong.append(f"{path.name}: {width} px wide: {wide}")
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_and_structure_are_right(pages: dict[str, list[Path]], opened: Any, scheme: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    wrong = []
    for alike in pages.values():
        page, _ = opened(alike[0], viewport=WIDE, color_scheme=scheme)
        for found in Axe().run(page).response["violations"]:
            if found["impact"] in SERIOUS:
                first = found["nodes"][0]
                wrong.append(
                    f"{alike[0].name}: {found['help']}: {first['html'][:150]} {first['failureSummary'][:300]}"
                )
    assert not wrong, "\n".join(wrong)


def test_nothing_is_cut_and_no_last_page_is_empty_in_print(pages: dict[str, list[Path]], opened: Any) -> None:
    wrong = []
    for kind, alike in pages.items():
        page, _ = opened(alike[0], viewport=WIDE)
        printed = pypdf.PdfReader(BytesIO(page.pdf(format="Letter", print_background=True))).pages
        texts = [sheet.extract_text().strip() for sheet in printed]
        if min(len(text) for text in texts) < 40:
            wrong.append(f"{kind}: letters on each sheet {[len(text) for text in texts]}")
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("kind", ["orders", "corrected/home"])
def test_what_is_handed_out_is_one_sheet_of_paper(
    pages: dict[str, list[Path]], opened: Any, kind: str
) -> None:
    sheets = {}
    for path in pages[kind]:
        page, _ = opened(path)
        sheets[path.name] = len(pypdf.PdfReader(BytesIO(page.pdf(prefer_css_page_size=True))).pages)
    assert {name: count for name, count in sheets.items() if count != 1} == {}
