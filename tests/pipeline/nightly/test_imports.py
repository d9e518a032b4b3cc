"""What a night loads: nothing that only training, drawing SVG or the tests need, and a command only what it runs."""

from __future__ import annotations

import subprocess
import sys

TRAINS_OR_DRAWS = {"sklearn", "altair", "vl_convert", "ruptures"}


def loaded_by(code: str) -> set[str]:
    told = subprocess.run(
        [sys.executable, "-c", f"import sys\n{code}\nprint(*sys.modules)"],
        capture_output=True, check=True, text=True,
    )  # fmt: skip
    return set(told.stdout.split())


def test_a_night_loads_no_trainer_and_nothing_that_draws_svg() -> None:
    loaded = loaded_by("import pipeline.nightly.run")

    assert "pipeline.report.write" in loaded
    assert not TRAINS_OR_DRAWS & loaded


def test_the_command_loads_no_night_before_one_is_asked_for() -> None:
    assert not {"pipeline.nightly.run", "scipy.stats", *TRAINS_OR_DRAWS} & loaded_by(
        "import pipeline.commands.app"
    )
