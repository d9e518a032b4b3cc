"""The sheet as PDF, and the one line that says what to install where a machine has no Pango."""

from __future__ import annotations

import builtins
import io
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from orders_example import ADDRESS, Wish

from pipeline.core.errors import InputError
from pipeline.workorder import pdf
from pipeline.workorder.order import Order
from pipeline.workorder.write import order_page

OrderOf = Callable[[Wish], Order]
FULL = Wish(
    "reversed", "both", score={"verdict": "safety", "is_clock_suspect": True, "clock_offset_h": 5.0},
    register={"ct_location": "service_entrance", "has_battery": True}, contact=ADDRESS,
    visits=tuple(
        {"visit_id": f"V{day}", "visited_on": date(2026, 6, day), "crew_id": "C7", "found": "swapped_with_pv",
         "leg": "both", "fixed": True, "note": "panel cover rusted shut, bring oil and a new cover " * 8}
        for day in range(1, 7)
    ),
)  # fmt: skip


@pytest.mark.parametrize(
    ("wish", "paper"),
    [
        (FULL, "letter"),
        (FULL, "a4"),
        (replace(FULL, score={}), "letter"),
        (Wish("wrong_ratio", "both"), "letter"),
        (Wish("swapped_with_pv", "l1"), "a4"),
        (Wish("reversed", "l1", service="230"), "a4"),
        (replace(FULL, leg="l1+l2+l3", service="230/400", wirings=(("l1- l2- l3-", 0.8),)), "a4"),
        (Wish("swapped_with_pv", "l1", service="230/400"), "letter"),
    ],
    ids=lambda given: given if isinstance(given, str) else given.fault,
)
def test_a_sheet_is_one_page_of_real_text_or_says_what_is_missing(
    wish: Wish, paper: str, order_of: OrderOf
) -> None:
    html = order_page(order_of(wish))
    try:
        pdf.load_library()
    except InputError:
        with pytest.raises(InputError, match=r"pip install 'nightclamp\[pdf\]'.*apt-get install libpango"):
            pdf.order_pdf(html, paper)
        return
    import pypdf

    written = pdf.order_pdf(html, paper)
    pages = pypdf.PdfReader(io.BytesIO(written)).pages
    is_three = wish.service == "230/400"  # the test and the record on a page of their own
    assert len(pages) == 1 + is_three
    if is_three:
        overleaf = " ".join(pages[1].extract_text().split())
        assert overleaf.startswith(
            "Home H1: known-load test and record, visit V-20260614-RP3ZPKQC Known-load test"
        )
        assert "its CT is on this line, reversed" in overleaf
        assert "Electrician, name and signature" in overleaf
    assert [round(float(side)) for side in pages[0].mediabox[2:]] == {"letter": [612, 792], "a4": [595, 842]}[
        paper
    ]
    text = " ".join(pages[0].extract_text().split())
    assert text.index("De-energize, lock out and test") < text.index("Suspected, not found")
    assert "Home H1" in text
    assert not pages[0].images  # pictures are lines, not pixels
    if (wish.fault, paper) == ("wrong_ratio", "letter"):  # a drawing takes seconds: one twice
        assert pdf.order_pdf(html, paper) == written


def test_without_the_library_one_line_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *args: Any, **kwargs: Any) -> Any:
        if name.startswith("weasyprint"):
            raise OSError("cannot load library 'libpango-1.0-0':\n  no such file")
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(InputError, match=r"apt-get install libpango-1\.0-0") as error:
        pdf.load_library()
    assert "\n" not in str(error.value)
