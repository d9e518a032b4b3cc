"""drive_times.csv: places by name, a truck's own start before "start", nonsense refused."""

from pathlib import Path

import pytest
from dispatch_homes import truck

from pipeline.core.errors import InputError
from pipeline.dispatch.drive_times import read_drive_times

TRUCKS = [truck("T1"), truck("T2")]


def read(
    tmp_path: Path, rows: str, sites: tuple[str, ...] = ("h0", "h1", "h2")
) -> tuple[dict[tuple[int, int], float], int]:
    (tmp_path / "drive_times.csv").write_text(f"from_site,to_site,minutes\n{rows}", encoding="utf-8")
    return read_drive_times(tmp_path / "drive_times.csv", ["h0", "h1"], TRUCKS, sites=set(sites))


def test_homes_and_start_points_by_name(tmp_path: Path) -> None:
    # h0, h1 are places 0 and 1, the starts of T1 and T2 are 2 and 3
    supplied, _ = read(tmp_path, "h0,h1,12.5\nT2,h0,7\nstart,h0,30\nh1,start,20\n")
    assert supplied == {(0, 1): 12.5, (3, 0): 7.0, (2, 0): 30.0, (1, 2): 20.0, (1, 3): 20.0}


def test_homes_of_the_register_that_are_no_stops_are_passed_over_and_strangers_counted(
    tmp_path: Path,
) -> None:
    supplied, unknown = read(tmp_path, "h0,h2,5\nh0,moved,5\nh0,h1,6\n")
    assert (supplied, unknown) == ({(0, 1): 6.0}, 1)


def test_the_same_row_twice_is_no_error(tmp_path: Path) -> None:
    assert read(tmp_path, "h0,h1,5\nh0,h1,5.0\n")[0] == {(0, 1): 5.0}


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("h0,h1,soon\n", "row 1: from 'h0' to 'h1' takes 'soon' minutes"),
        ("h0,h1,5\nh0,h1,-1\n", "row 2: .* takes '-1' minutes"),
        ("h0,h1,nan\n", "takes 'nan' minutes"),
        ("h0,,5\n", "row 1: from 'h0' to ''"),
        ("h0,h1,5\nh1,h0,6\nh0,h1,7\n", "row 3: 'h0' to 'h1' is there before with other minutes"),
        ("h0,h1\n", "row 1: malformed"),
    ],
)
def test_nonsense_is_refused_with_its_row(tmp_path: Path, rows: str, message: str) -> None:
    with pytest.raises(InputError, match=message) as error:
        read(tmp_path, rows)
    assert "\n" not in str(error.value)


def test_a_name_that_is_both_a_home_and_a_truck_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="'T1' is a home as well as a start point"):
        read(tmp_path, "h0,T1,5\n", sites=("h0", "h1", "T1"))


def test_a_missing_column_is_named(tmp_path: Path) -> None:
    (tmp_path / "d.csv").write_text("from_site,to_site,minute\n", encoding="utf-8")
    with pytest.raises(InputError, match="no column minutes; did you mean 'minute'"):
        read_drive_times(tmp_path / "d.csv", [], TRUCKS, sites=set())
