"""A headless Chromium to look at pages with."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

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
