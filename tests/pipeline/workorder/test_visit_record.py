"""The id of a visit is made beforehand, and the row that goes with it is one that the register takes."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.core.contract import FINDINGS, Visit
from pipeline.faults.catalogue import CATALOGUE
from pipeline.workorder.install import Install
from pipeline.workorder.visit_record import visit_id_of, visit_record

NIGHT = date(2026, 6, 14)


def install(service: str, *, is_summed: bool = False) -> Install:
    return Install(service, True, 1, False, True, is_summed=is_summed)


def test_the_same_home_and_night_is_the_same_visit_and_another_is_another() -> None:
    first = visit_id_of("H1", NIGHT)
    assert visit_id_of("H1", NIGHT) == first
    assert len({visit_id_of(f"H{number}", NIGHT) for number in range(5000)}) == 5000
    assert visit_id_of("H1", date(2026, 6, 15)) != first


def test_an_id_that_the_register_has_is_not_given_again() -> None:
    first = visit_id_of("H1", NIGHT)
    second = visit_id_of("H1", NIGHT, {first, "V0001"})
    assert second == f"{first}-2"
    assert visit_id_of("H1", NIGHT, {first, second}) == f"{first}-3"


def test_every_finding_with_each_of_its_legs_is_a_row_of_the_register() -> None:
    for service in ("120/240", "single", "230", "230/400"):
        record = visit_record(
            "H1", visit_id_of("H1", NIGHT), "dead", install=install(service), catalogue=CATALOGUE
        )
        assert record.findings[0].code == "dead"
        assert {finding.code for finding in record.findings} == set(FINDINGS)
        rows = [
            {"visit_id": f"{record.visit_id}-{number}", "site_id": "H1", "visited_on": NIGHT, "crew_id": None,
             "found": code, "leg": leg, "fixed": True, "note": None}
            for number, (code, leg) in enumerate(
                (finding.code, leg) for finding in record.findings for leg in finding.legs or (None,)
            )
        ]  # fmt: skip
        Visit.validate(pl.DataFrame(rows, schema=pl.Schema(Visit)))
        assert {row["leg"] for row in rows} - {None} == {code for code, _ in record.legs}


def test_no_fault_and_another_cause_need_no_leg() -> None:
    record = visit_record("H1", "V", "reversed", install=install("120/240"), catalogue=CATALOGUE)
    legs = {finding.code: finding.legs for finding in record.findings}
    assert legs["sound"] == legs["other"] == ()
    assert all(legs[name] for name in CATALOGUE)


def test_of_one_total_of_all_lines_a_finding_is_on_the_total() -> None:
    total = install("230/400", is_summed=True)
    record = visit_record("H1", "V", "reversed", install=total, catalogue=CATALOGUE)
    assert record.legs == (("l1", "total of all lines"),)
    assert {finding.legs for finding in record.findings} == {("l1",), ()}
