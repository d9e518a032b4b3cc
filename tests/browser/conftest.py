"""A headless Chromium to look at pages with."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium")
# As root, without a GPU, and asking nothing of a network.
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip


@pytest.fixture(scope="session")
def browser() -> Iterator[object]:
    """Debian's Chromium by Playwright; without it the tests here are skipped."""
    if CHROMIUM is None:
        pytest.skip("no Chromium here: apt-get install chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield chromium
        chromium.close()


@pytest.fixture
def opened(browser: Any) -> Iterator[Any]:
    """A function that opens a page, by the same window for the same look, and returns it with its complaints."""
    windows: dict[str, tuple[Any, list[str]]] = {}

    def visit(path: Path, **look: Any) -> tuple[Any, list[str]]:
        if repr(look) not in windows:
            page, complaints = browser.new_context(offline=True, **look).new_page(), []
            page.on(
                "console",
                lambda line: complaints.append(line.text) if line.type in ("error", "warning") else None,
            )
            page.on("pageerror", lambda error: complaints.append(str(error)))
            page.on("requestfailed", lambda request: complaints.append(f"not there: {request.url}"))
            windows[repr(look)] = page, complaints
        page, complaints = windows[repr(look)]
        complaints.clear()
        page.goto(path.as_uri())
        if page.locator("[data-spec]").count():
            page.wait_for_selector("html[data-drawn=true]", timeout=20_000)
        return page, list(complaints)

    yield visit
    for page, _ in windows.values():
        page.context.close()
