"""A fault is one file and one YAML of cases: put both into a copy of the project, and every room knows it.

The copy is the project as it is; nothing in it is edited but the two files put there.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from hashlib import sha1
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[3]
ANNEX = Path(__file__).parent / "annex"
NEW = "stuck_bit"


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The project with one fault more."""
    root = tmp_path_factory.mktemp("project")
    for folder in ("pipeline", "sql", "tests/faults", "tests/scenarios"):
        shutil.copytree(ROOT / folder, root / folder)
    shutil.copy2(ROOT / "tests/conftest.py", root / "tests")
    shutil.copy2(ROOT / "pyproject.toml", root)
    shutil.copy2(ANNEX / f"{NEW}.py", root / "pipeline/faults/catalogue")
    shutil.copy2(ANNEX / f"{NEW}.yaml", root / "tests/faults")
    # numba keeps compiled code by the folder of its source: under the copy's name it is found, not compiled anew
    for kept in list((root / "pipeline/features/kernels/__pycache__").glob("compiled-*/*_*")):
        for source in (root / "pipeline").rglob(kept.name.rpartition("_")[0]):
            name = f"{source.name}_{sha1(str(source).encode()).hexdigest()}"
            shutil.copytree(kept, kept.with_name(name), dirs_exist_ok=True)
    return root


def run(root: Path, *command: str) -> str:
    done = subprocess.run(
        [sys.executable, *command],
        cwd=root,
        env={"PYTHONPATH": str(root), "PATH": "", "OMP_NUM_THREADS": "1", "NIGHTCLAMP_ENGINE__WORKERS": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    return done.stdout


@pytest.fixture(scope="module")
def told(copy: Path) -> dict[str, Any]:
    """What the rooms of the copy make of a small fleet that has it."""
    answer: dict[str, Any] = json.loads(run(copy, str(ANNEX / "live_with_it.py"), str(copy), NEW))
    return answer


@pytest.mark.heavy
def test_its_cases_run_with_everybody_elses(copy: Path) -> None:
    said = run(
        copy,
        "-m",
        "pytest",
        "-n",
        "0",
        "-rpx",
        "-p",
        "no:cacheprovider",
        "tests/faults",
        "-k",
        f"{NEW} or file",
    )
    for asked in ("test_case[stuck_bit 1]", "test_case[stuck_bit 2]", "test_case[stuck_bit 3]"):
        assert f"::{asked}" in said  # passed, or wanted of a model that knows it
    for asked in (
        "every_room_has_cases[stuck_bit]",
        "to_be_kept_silent_about[stuck_bit]",
        "belongs_to_a_room",
    ):
        assert asked in said


def test_the_simulator_makes_homes_with_it_and_training_labels_them(told: dict[str, Any]) -> None:
    assert len(told["sick"]) >= 4
    assert set(told["labels"]) == {NEW, "reversed", "wrong_ratio", "sound"}


def test_it_is_a_class_of_the_model(told: dict[str, Any]) -> None:
    """Which probes speak for it is learned from its homes."""
    assert told["learned"] == ["reversed", NEW, "wrong_ratio"]


def test_homes_with_it_are_scored_for_it(told: dict[str, Any]) -> None:
    sick = set(told["sick"])
    assert all(told["suspected"][site] == NEW for site in sick)
    assert all(told["leg"][site] == told["true_leg"][site] for site in sick)
    # a fit of a few trees to few homes is not sure of every one, but of most, and of no other home
    assert sum(told["likelihood"][site] > 0.5 for site in sick) >= len(sick) - 1
    assert max(share for site, share in told["likelihood"].items() if site not in sick) < 0.5
    assert any(probe == "nights" and state == "supports" for probe, state, _ in told["weights"])


def test_the_work_order_says_what_to_do_and_to_bring(told: dict[str, Any]) -> None:
    (order,) = told["order"]
    assert order["suspected_fault"] == NEW
    assert order["fix_by"] == "visit"
    assert order["bring"] == "input board; standard test and safety kit"
    assert order["minutes_on_site"] == 35
    assert order["kwh_per_day_wrong"] == pytest.approx(2.048 * 24, abs=0.1)
    assert told["card"]["action"] == "Replace the monitor's input board."
    assert told["card"]["cautions"] == [
        "The board's terminals stay live after the plug is pulled: wait a minute."
    ]


def listed_leg(told: dict[str, Any]) -> str:
    """The leg of the home that is looked at, as people read it."""
    return str(told["true_leg"][told["listed"]]).upper()


def test_it_brings_its_pictures_and_what_the_desk_can_set(told: dict[str, Any]) -> None:
    assert told["pictures"] == ["Lowest hour of each night", "L2 against L1, hour by hour"]
    (order,) = told["order"]
    leg = listed_leg(told)
    assert order["desk_change"] == f"offset of {leg}: 0 W → −2 048 W (the bit adds as much)"
    assert order["desk_proof"].startswith(f"overnight baseload of {leg}")


def test_the_page_of_a_home_tells_it(told: dict[str, Any]) -> None:
    page, leg = " ".join(told["page"].split()), listed_leg(told)
    for words in (
        f"stuck bit on {leg}",
        "adds 2048 W to a leg",
        "stay live after the plug is pulled",
        "Replace the monitor's input board.",
        "Overnight baseload: L1",
    ):
        assert words in page
    assert len(told["pages"]) >= 2  # the report's list and the home's own


def test_past_data_is_put_right(told: dict[str, Any]) -> None:
    assert told["off_by_w"] < 1e-9


def test_crews_may_report_it_and_are_counted_by_it(told: dict[str, Any]) -> None:
    assert told["visits"] == [NEW]
    (refused,) = told["refused"]
    assert f"found: '{NEW}e' is not known; did you mean '{NEW}'" in refused
    assert NEW in told["top_faults"]
