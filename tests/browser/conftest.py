"""A night of the sample, its orders and its plan, and a headless Chromium to look at them with."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.core.settings import load_settings
from pipeline.dispatch.run import dispatch_night
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.workorder import write_orders

LAKE = Path(__file__).parents[2] / "sample_lake"
CHROMIUM = shutil.which("chromium")
# As root, without a GPU, and asking nothing of a network.
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip


@pytest.fixture(scope="session")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """OUT after the sample's night, all orders, and a plan of two trucks."""
    folder = tmp_path_factory.mktemp("browser") / "out"
    settings = load_settings()
    run_night(NightRequest(LAKE, folder), settings)
    write_orders(folder, (), settings)
    dispatch_night(LAKE, folder, settings)
    return folder


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
