"""What a night loads, and when: nothing that only training, drawing SVG or a later step needs stands in its way."""

from __future__ import annotations

import subprocess
import sys

import pytest

from pipeline.nightly.ahead import load_ahead

NEVER = {"sklearn", "altair", "vl_convert", "ruptures"}
LATER = {"scipy.stats", "jinja2"}


def loaded_by(code: str) -> set[str]:
    told = subprocess.run(
        [sys.executable, "-c", f"import sys\n{code}\nprint(*sys.modules)"],
        capture_output=True, check=True, text=True,
    )  # fmt: skip
    return set(told.stdout.split())


def test_the_first_step_waits_for_no_library_of_a_later_one() -> None:
    assert not (NEVER | LATER) & loaded_by("import pipeline.commands.cli, pipeline.nightly.run")


def test_a_night_loads_its_later_rooms_beside_and_no_trainer_at_all() -> None:
    loaded = loaded_by("from pipeline import night\nnight.load_ahead(*night._LATER).join()")

    assert loaded >= LATER
    assert not NEVER & loaded


@pytest.mark.filterwarnings("error::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_room_that_can_not_be_loaded_is_left_to_the_step_that_needs_it() -> None:
    thread = load_ahead("no_such_room", "colorsys")
    thread.join(10)

    assert not thread.is_alive()
    assert "colorsys" in sys.modules
