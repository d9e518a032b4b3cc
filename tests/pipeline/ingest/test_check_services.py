"""Channels that don't fit their home's service are told: what the night takes it for, and what to do."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from check_lines import problems
from lakes import SITES, VISITS, build_lake, put, rows

from pipeline.ingest.check_services import commonest_volts


def told(
    root: Path, service: str, *, more: str = "", value: str = "", **measures: float | None
) -> list[tuple[str, str, str]]:
    """What check says beside volts of a lake with home a on this service, whose rows have these measures."""
    sites = SITES.replace("120/240", service)
    if more:
        head, *lines = sites.splitlines()
        sites = "\n".join([f"{head},{more}", *(f"{line},{value}" for line in lines)]) + "\n"
    lake = build_lake(root / "lake", sites)
    put(lake, "1.parquet", rows("a", **measures))
    words = ("l2_w", "l3_w", "pv_on")
    found = [(one.where, one.what, one.hint) for one in problems(lake)]
    return [one for one in found if any(one[1].startswith(word) or f"no {word}" in one[1] for word in words)]


@pytest.mark.parametrize(
    ("service", "volts", "named", "taken"),
    [
        ("120/240", 120.0, "is 120/240", "120/208 three-phase"),
        ("", 231.0, "is empty", "230/400"),
        ("230", 230.0, "is 230", "230/400"),
        ("120/208", None, "is 120/208", "120/208 three-phase"),
    ],
)
def test_a_third_channel_on_another_service_is_told_with_what_it_is_taken_for(
    tmp_path: Path, service: str, volts: float | None, named: str, taken: str
) -> None:
    ((where, what, hint),) = told(tmp_path, service, l1_v=volts, l2_v=volts, l3_v=volts, l3_w=5.0)
    assert where == "intervals"
    why = "by its volts" if volts else "having no volts"
    assert what == f"l3_w is read where service {named}: judged as {taken}, {why} (1 home: a)"
    assert hint.startswith("say in sites which service it is")


@pytest.mark.parametrize("service", ["120/240", ""])
def test_zeros_where_a_third_line_would_stand_are_no_line(tmp_path: Path, service: str) -> None:
    ((_, what, _),) = told(tmp_path, service, l1_v=120.0, l2_v=120.0, l3_w=0.0)
    assert what.startswith("l3_w is always zero where service is ")
    assert "a column that the home has no line for" in what


def test_a_third_channel_on_three_lines_is_not_told(tmp_path: Path) -> None:
    assert told(tmp_path, "230/400", l1_v=230.0, l3_w=5.0) == []


def test_three_lines_without_a_third_channel_are_told(tmp_path: Path) -> None:
    ((_, what, hint),) = told(tmp_path, "230/400", l1_v=230.0)
    assert what == "no l3_w is read where service is 230/400: judged by its first two lines (1 home: a)"
    assert "lines_summed" in hint


def test_one_channel_of_all_lines_is_not_told_but_others_beside_it_are(tmp_path: Path) -> None:
    summed = {"more": "lines_summed", "value": "true"}
    assert told(tmp_path / "1", "230/400", **summed, l2_w=None) == []
    ((_, what, hint),) = told(tmp_path / "2", "230/400", **summed)
    assert (
        what == "l2_w or l3_w is read where sites says lines_summed: judged as one line, by l1_w (1 home: a)"
    )
    assert hint == "leave l2_w and l3_w empty there, or lines_summed"


def test_a_second_channel_on_one_line_is_told(tmp_path: Path) -> None:
    ((_, what, _),) = told(tmp_path, "230")
    assert what == "l2_w is read where service is 230: it has one line (1 home: a)"


def test_production_on_a_line_that_the_service_has_not_is_told(tmp_path: Path) -> None:
    found = told(tmp_path, "120/240", more="pv_on", value="l2+l3")
    assert found == [
        ("sites", "pv_on names l3, which 120/240 has not (2 homes: a, b)",
         "correct pv_on or service; empty: found from the readings")
    ]  # fmt: skip
    assert told(tmp_path / "2", "120/240", more="pv_on", value="all") == []


def test_a_visit_to_a_line_that_the_service_has_not_is_told(tmp_path: Path) -> None:
    sites = SITES.replace("39.8,-105.1,north,120/240", "39.8,-105.1,north,230/400")
    lake = build_lake(tmp_path / "lake", sites)
    lines = [
        "v1,a,2025-05-01,,reversed,l3,,",
        "v2,b,2025-05-01,,reversed,l1+l3,,",
        "v3,a,2025-05-02,,dead,both,,",
    ]
    (lake / "visits.csv").write_text(VISITS + "\n".join(lines) + "\n", encoding="utf-8")
    put(lake, "1.parquet", rows("a"))
    found = [(one.severity, one.where, one.what) for one in problems(lake) if "leg names" in one.what]
    assert found == [("note", "visits", "leg names l3, which 120/240 has not (1 home: a)")]
    assert [one for one in problems(lake) if one.severity == "fail"] == []


def test_the_volts_of_most_homes_are_the_fleets() -> None:
    def fleet(*services: str | None) -> pl.DataFrame:
        return pl.DataFrame({"service": services}, schema={"service": pl.String})

    assert commonest_volts(fleet("230/400", None, "230/400", "120/240")) == 230.0
    assert commonest_volts(fleet(None)) == 120.0
