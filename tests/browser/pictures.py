"""The README's two pictures, taken anew: python tests/browser/pictures.py

A night of the sample is published in a temporary folder; its first page and one home's page are drawn by headless
Chromium and kept small, with 64 colours.
"""

from __future__ import annotations

import sys
import tempfile
from io import BytesIO
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE)]

HOME = "H00004"
SIZE = {"width": 1360, "height": 1000}


def main() -> None:
    """Write list.png and home.png into tests/browser/pictures."""
    from conftest import CHROMIUM, FLAGS

    from pipeline.core.settings import load_settings
    from pipeline.nightly.night_inputs import NightRequest
    from pipeline.nightly.run import run_night

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        result = run_night(NightRequest(HERE.parents[1] / "sample_lake", Path(folder)), load_settings())
        report = result.folder / "report"
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        page = chromium.new_page(viewport=SIZE, color_scheme="light")
        for name, path in (
            ("list", report / "index.html"),
            ("home", next(report.glob(f"home/{HOME.lower()}-*.html"))),
        ):
            page.goto(path.as_uri())
            if page.locator("[data-spec]").count():
                page.wait_for_selector("html[data-drawn=true]")
            if name == "list":
                page.evaluate("document.getElementById('visits').scrollIntoView()")
            few_colours = Image.open(BytesIO(page.screenshot())).convert("RGB").quantize(64)
            few_colours.save(HERE / "pictures" / f"{name}.png", optimize=True)
        chromium.close()


if __name__ == "__main__":
    main()
