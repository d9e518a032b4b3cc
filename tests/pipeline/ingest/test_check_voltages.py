"""Volts that no service has are told with the homes, the value and what they most probably are."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from check_lines import lines, problems
from lakes import SITES, build_lake, put, rows

from pipeline.ingest.check_problem import Problem
from pipeline.ingest.check_voltages import voltage_problems


def told(*homes: tuple[str, str | None, float], leg: str = "l1") -> list[Problem]:
    frame = pl.DataFrame(
        [(site, service, leg, volts) for site, service, volts in homes],
        schema=["site_id", "service", "leg", "volts"], orient="row",
    )  # fmt: skip
    return list(voltage_problems([frame, frame]))


@pytest.mark.parametrize(
    ("service", "volts"),
    [("120/240", 120.0), ("120/240", 104.0), ("120/208", 137.0), ("single", 100.0), ("single", 127.0),
     ("single", 230.0), (None, 120.0), (None, 240.0),
     ("230", 230.0), ("230/400", 231.0), ("230/400", 240.0), ("120/208 three-phase", 119.0)],
)  # fmt: skip
def test_what_a_service_has_is_not_told(service: str | None, volts: float) -> None:
    assert told(("a", service, volts)) == []


@pytest.mark.parametrize(
    ("service", "volts", "shown", "cause"),
    [
        ("120/240", 240.0, "240", "volts from line to line?"),
        ("120/208", 208.0, "208", "volts from line to line?"),
        ("120/240", 12.0, "12", "volts divided by ten?"),
        ("120/240", 0.1201, "0.1201", "kilovolts?"),
        ("single", 0.23, "0.23", "kilovolts?"),
        ("120/240", 0.0, "0", "an input that nothing is connected to?"),
        ("single", 170.0, "170", "send volts from leg to neutral, or correct service"),
        ("230/400", 400.0, "400", "volts from line to line?"),
        ("120/208 three-phase", 207.0, "207", "volts from line to line?"),
        (
            "230/400",
            120.0,
            "120",
            "send volts from leg to neutral, or correct service in sites; 120/240, 120/208, "
            "single and 120/208 three-phase have such volts",
        ),
        (
            "120/240",
            231.0,
            "231",
            "volts from line to line? send each leg's volts to neutral, or correct service; "
            "single, 230 and 230/400 have such volts",
        ),
        ("230", 23.0, "23", "volts divided by ten?"),
        ("120/240", 99.0, "99", "send volts from leg to neutral, or correct service"),
    ],
)
def test_what_none_has_is_told_with_its_likely_cause(
    service: str, volts: float, shown: str, cause: str
) -> None:
    (problem,) = told(("a", service, volts), leg="l2")
    assert (
        problem.what
        == f"l2_v is {shown} V in the middle of the days read, which {service} never has (1 home: a)"
    )
    assert problem.hint.startswith(cause)


def test_homes_alike_are_one_line() -> None:
    (problem,) = told(*[(f"h{n}", None, 400.0 + n) for n in range(8)])
    shown = "l1_v is 400 to 407 V in the middle of the days read, which a service that is not known never has"
    assert problem.what == f"{shown} (8 homes: h0, h1, h2, h3, h4 and 3 more)"


def test_a_lake_s_volts_are_read(tmp_path: Path) -> None:
    lake = build_lake(tmp_path / "lake", SITES)
    put(lake, "1.parquet", pl.concat([rows("a", l1_v=240.0, l2_v=120.0), rows("b", l1_v=121.0, l2_v=119.0)]))
    (line,) = [what for _, _, what in lines(lake) if "_v " in what]
    assert line == "l1_v is 240 V in the middle of the days read, which 120/240 never has (1 home: a)"


def test_the_third_line_s_volts_are_read_too(tmp_path: Path) -> None:
    lake = build_lake(tmp_path / "lake", SITES.replace("120/240", "230/400"))
    put(lake, "1.parquet", rows("a", l1_v=230.0, l2_v=231.0, l3_v=23.0, l3_w=1.0))
    (line,) = [what for _, _, what in lines(lake) if "_v " in what]
    assert line == "l3_v is 23 V in the middle of the days read, which 230/400 never has (1 home: a)"


def test_volts_out_of_range_come_with_a_hint(tmp_path: Path) -> None:

    lake = build_lake(tmp_path / "lake", SITES)
    put(lake, "1.parquet", rows("a", l1_v=1200.0))
    (problem,) = [problem for problem in problems(lake) if problem.what.startswith("l1_v is out of range")]
    assert problem.hint.startswith("tenths of volts, millivolts, or volts from line to line?")
