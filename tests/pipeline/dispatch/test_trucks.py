"""trucks.csv is read as written, or refused in one line that says where and what to do."""

from pathlib import Path

import pytest
from dispatch_homes import START, settings, stops

from pipeline.core.errors import InputError
from pipeline.dispatch.trucks import Truck, clock, equal_trucks, read_trucks, start_point

SETTINGS = settings(hours=8.0, start_time="08:00", trucks=2).dispatch
HEADER = "truck_id,area,start_latitude,start_longitude,start_time,hours\n"


def read(tmp_path: Path, text: str) -> tuple[list[Truck], int]:
    (tmp_path / "trucks.csv").write_text(text, encoding="utf-8")
    return read_trucks(tmp_path / "trucks.csv", SETTINGS, START, areas={"north", "south"})


def test_a_row_says_all_and_an_empty_one_takes_the_settings(tmp_path: Path) -> None:
    trucks, without_start = read(tmp_path, f"{HEADER}A,north; south,40.5,-105.5,7:30,9.5\nB,,,,,\n")
    assert trucks == [
        Truck("A", ("north", "south"), 40.5, -105.5, 450, 570),
        Truck("B", (), *START, 480, 480),
    ]
    assert without_start == 1


def test_only_truck_id_is_needed(tmp_path: Path) -> None:
    assert [truck.truck_id for truck in read(tmp_path, "Truck_ID\nA\nB\n")[0]] == ["A", "B"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (f"{HEADER},north,,,,\n", "row 1: truck_id is missing"),
        (f"{HEADER}A,,,,,\nA,,,,,\n", "row 2: truck_id 'A' is there before"),
        (f"{HEADER}A,nroth,,,,\n", "row 1: area 'nroth' has no home in the register; did you mean 'north'?"),
        (f"{HEADER}A,,40.5,,,\n", "start_latitude and start_longitude go together"),
        (f"{HEADER}A,,99,-105,,\n", "start_latitude: 99 is outside -90 to 90"),
        (f"{HEADER}A,,nan,-105,,\n", "start_latitude: nan is outside"),
        (f"{HEADER}A,,x,-105,,\n", "start_latitude: 'x' is not a number"),
        (f"{HEADER}A,,,,8 am,\n", "start_time '8 am' is not a time of day; write HH:MM"),
        (f"{HEADER}A,,,,25:00,\n", "start_time '25:00'"),
        (f"{HEADER}A,,,,20:00,6\n", "ends after midnight"),
        (f"{HEADER}A,,,,,0\n", "hours must be more than 0"),
        (f"{HEADER}A,,,,,nan\n", "hours: nan is outside"),
        (f"{HEADER}A,,,\n", "row 1: malformed: 4 fields where the header has 6"),
        ("truck_id,hour\nA,8\n", "column hour is not one of .*did you mean 'hours'?"),
        ("area\nnorth\n", "no column truck_id"),
        (HEADER, "names no truck"),
        ("", "is empty"),
    ],
)
def test_what_makes_no_truck_is_said_in_one_line(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(InputError, match=message.replace("?", r"\?")) as error:
        read(tmp_path, text)
    assert "\n" not in str(error.value)
    assert "trucks.csv" in str(error.value)


def test_without_a_file_trucks_are_alike() -> None:
    assert equal_trucks(SETTINGS, START) == [
        Truck("T1", (), *START, 480, 480),
        Truck("T2", (), *START, 480, 480),
    ]


def test_the_middle_of_the_stops() -> None:
    homes = stops(
        {"latitude": 1.0, "longitude": 5.0}, {"latitude": 2.0, "longitude": 9.0},
        {"latitude": 9.0, "longitude": 6.0}, {"latitude": None, "longitude": 0.0},
    )  # fmt: skip
    assert start_point(SETTINGS, homes) == (2.0, 6.0)
    assert str(start_point(SETTINGS, homes[:0])) == "(nan, nan)"


def test_a_truck_of_some_areas_does_not_go_to_homes_without_one() -> None:
    of_areas, any_area = Truck("A", ("north",), 0, 0, 0, 0), Truck("B", (), 0, 0, 0, 0)
    assert [of_areas.serves("north"), of_areas.serves("south"), of_areas.serves(None)] == [True, False, False]
    assert [any_area.serves("south"), any_area.serves(None)] == [True, True]


def test_minutes_as_a_clock() -> None:
    assert [clock(0), clock(485), clock(1440)] == ["00:00", "08:05", "24:00"]
