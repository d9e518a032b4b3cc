"""A few of the odd files of odd_files.py, which has all of them: one line or rejects, never a wait or a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest
from odd_files import CONTENTS, DAY_FILE, THINGS, cases, good_lake, try_case


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return good_lake(tmp_path_factory.mktemp("odd") / "lake")


def test_every_seventh_case_is_checked(good: Path, tmp_path: Path) -> None:
    told = [try_case(case, good, tmp_path, ("check",))[0][0] for case in list(cases())[::7]]
    assert set(told) <= {0, 2}
    assert len(told) > 40
    assert told.count(2) > len(told) / 2


@pytest.mark.parametrize("what", THINGS)
@pytest.mark.parametrize("name", ["sites.csv", "visits.csv", "lake.toml"])
def test_what_is_no_file_is_said_by_its_name(name: str, what: str, good: Path, tmp_path: Path) -> None:
    ((checked, complaint), (night, _)) = try_case((name, what), good, tmp_path, ("check", "nightly"))
    assert (checked, night) == (2, 2)
    assert f"{name}: is a" in complaint
    assert "not a file; put the file there, or remove it" in complaint


@pytest.mark.parametrize(
    ("name", "what"),
    [(f"{DAY_FILE}.csv", "utf-16"), (f"{DAY_FILE}.parquet", "nested Parquet"), (f"{DAY_FILE}.parquet", "a pipe"),
     ("utility/1.xml", "binary")],
)  # fmt: skip
def test_a_night_goes_on_beside_a_file_of_readings_that_is_none(
    name: str, what: str, good: Path, tmp_path: Path
) -> None:
    assert what in CONTENTS or what in THINGS
    ((night, complaint),) = try_case((name, what), good, tmp_path, ("nightly",))
    assert (night in (0, 3), complaint) == (True, "")
