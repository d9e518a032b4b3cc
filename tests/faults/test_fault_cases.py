"""Runs tests/faults/<fault>.yaml: homes unlike the right home, and what the shipped model must say of each.

cases       why     what the case shows, in one sentence
            given   columns of table site_signal that differ from right_home.yaml
            expect  what the home must be, of:
                      fault: NAME or [NAME, ...] with leg: LEG   a suspect of this name (any of them), on this leg
                      not_sound: true     suspect, or unproven
                      not_suspect: true   sound, or unproven
                      sound: true, unproven: true
                      never_sound: true   suspect, or unproven with the number that contradicts first
            wanted  the same, of what a better model should say: told (xfail) and not held against this one

A home is scored as in a fleet of which nothing is known, at the usual share of faults.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import pytest
import yaml
from scored_homes import OF_THE_WINDOW, homes, night_scored, register, right_home, unseen_fleet

from pipeline.core import sql_runner
from pipeline.core.contract import SOUND
from pipeline.core.settings import load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.features.site_share import site_share
from pipeline.features.window_features import site_fact
from pipeline.learning.labelled import Labelled
from pipeline.scoring.model import Model

HERE = Path(__file__).parent
SETTINGS = load_settings()
ROOMS = (SOUND, *CATALOGUE, "unmistakable")
RIGHT = right_home()
WORDS = {"fault", "leg", "not_sound", "not_suspect", "sound", "unproven", "never_sound"}


@cache
def read(name: str) -> dict[str, Any]:
    path = HERE / f"{name}.yaml"
    held: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8")) if path.exists() else {}
    return held


@dataclass(frozen=True)
class Case:
    room: str
    number: int
    why: str
    given: Mapping[str, Any]
    expect: Mapping[str, Any] = field(default_factory=dict)
    wanted: Mapping[str, Any] = field(default_factory=dict)

    @property
    def name(self) -> str:
        return f"{self.room} {self.number}"

    @property
    def row(self) -> dict[str, Any]:
        return {**RIGHT, **self.given, "site_id": self.name}


CASES = [
    Case(room, number, **case)
    for room in ROOMS
    for number, case in enumerate(read(room).get("cases", []), start=1)
]


@pytest.fixture(scope="module")
def signals() -> pl.DataFrame:
    return homes([case.row for case in CASES])


@pytest.fixture(scope="module")
def scores(signals: pl.DataFrame, model: Model) -> Mapping[str, dict[str, Any]]:
    told = night_scored(signals, register(signals), model, fleet=unseen_fleet(model)).scores
    return {row["site_id"]: row for row in told.to_dicts()}


def unlike(expect: Mapping[str, Any], row: Mapping[str, Any]) -> list[str]:
    """What of a scored home is not as expected."""
    verdict, named = row["verdict"], row["suspected_fault"]
    wrong = []
    if "fault" in expect:
        names = expect["fault"] if isinstance(expect["fault"], list) else [expect["fault"]]
        wrong += [] if verdict == "suspect" and named in names else ["fault"]
    if "leg" in expect and row["leg"] != expect["leg"]:
        wrong.append("leg")
    is_proof_of_doubt = row["contradiction"] is not None and row["unproven_why"].startswith(
        row["contradiction"]
    ) if verdict == "unproven" else verdict == "suspect"  # fmt: skip
    holds = {
        "not_sound": verdict != "sound", "not_suspect": verdict != "suspect", "sound": verdict == "sound",
        "unproven": verdict == "unproven", "never_sound": is_proof_of_doubt,
    }  # fmt: skip
    return wrong + [word for word, is_so in holds.items() if word in expect and not is_so]


@pytest.mark.parametrize("room", ROOMS)
def test_every_room_has_cases(room: str) -> None:
    held = read(room)

    assert held, f"write tests/faults/{room}.yaml"
    assert held.keys() == {"cases"}
    for case in held["cases"]:
        assert {"why", "given"} <= case.keys() <= {"why", "given", "expect", "wanted"}
        assert case.keys() & {"expect", "wanted"}
        assert case["why"].endswith(".")
        assert case["given"].keys() <= RIGHT.keys() - {"site_id"}
        for told in (case.get("expect", {}), case.get("wanted", {})):
            assert told.keys() <= WORDS


@pytest.mark.parametrize("fault", CATALOGUE)
def test_a_fault_is_seen_to_be_named_and_to_be_kept_silent_about(fault: str) -> None:
    told = [{**case.expect, **case.wanted} for case in CASES if case.room == fault]

    assert any(fault in expect.get("fault", ()) for expect in told), "no case that it is named in"
    assert any({"sound", "not_suspect", "unproven"} & expect.keys() for expect in told), "no silent case"


def test_every_file_belongs_to_a_room() -> None:
    assert {path.stem for path in HERE.glob("*.yaml")} == {*ROOMS, "right_home"}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_case(case: Case, scores: Mapping[str, dict[str, Any]]) -> None:
    row = scores[case.name]
    told = {name: row[name] for name in ("likelihood", "verdict", "likely_fault", "likely_leg", "evidence")}

    assert unlike(case.expect, row) == [], f"{case.why} {told}"
    if unlike(case.wanted, row):
        pytest.xfail(f"wanted {case.wanted}: {case.why} {told}")


def test_the_right_home_is_a_row_of_site_signal(fleet: Labelled) -> None:
    assert {*RIGHT, *OF_THE_WINDOW} == {*fleet.signals.columns}
    assert None not in RIGHT.values()


def test_the_numbers_of_a_case_hang_together(signals: pl.DataFrame, fleet: Labelled, tmp_path: Path) -> None:
    """Gains follow from slopes, z from sag and its error, and so on, as sql/site_signal.sql derives them."""
    facts = site_fact(fleet.sites).columns
    derived = set(re.findall(r"\bAS (\w+)", sql_runner.sql_text("site_signal"))) & {*RIGHT}
    con = sql_runner.connect(tmp_path, SETTINGS.engine)
    given = {*derived, *OF_THE_WINDOW, *facts, "line_count"} - {"site_id"}
    con.register("site_feature", signals.drop(given).to_arrow())
    con.register("site_fact", signals.select(facts).to_arrow())
    register = signals.select("site_id", "service", pv_on=None, lines_summed=None)
    con.register("site_share", site_share(register).to_arrow())
    truth = sql_runner.query(con, "site_signal", SETTINGS.feature.model_dump()).sort("site_id")
    con.close()

    told = signals.sort("site_id")
    assert len(derived) > 20
    for home, right in zip(told.to_dicts(), truth.to_dicts(), strict=True):
        for name in sorted(derived):
            expected = right[name] if right[name] is None else pytest.approx(right[name], rel=2e-3, abs=1e-3)
            assert home[name] == expected, (home["site_id"], name)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_numbers_of_a_case_can_be(case: Case) -> None:
    """Shares lie between 0 and 1, errors are positive, a night's low, middle and high are in order.

    The least a leg copies lies between nothing and its middle copy; a night's lowest is no higher than its low.
    """
    row = case.row
    for name, value in row.items():
        if name.endswith("_share") and value is not None:
            assert 0 <= value <= 1, name
        if name.endswith("_se") and value is not None and name != "meter_gain_se":
            assert value > 0, name
    for series in ("l1", "l2", "sum"):
        night = [row[f"night_{series}_{part}"] for part in ("low_w", "w", "high_w")]
        assert None in night or night == sorted(night), series
    for leg in ("l1", "l2"):
        leak, least = row[f"leak_{leg}"], row[f"leak_least_{leg}"]
        assert (leak is None) == (least is None), leg
        assert leak is None or min(leak, 0) <= least <= max(leak, 0), leg
        floor = row[f"floor_{leg}_drop_w"], row[f"floor_{leg}_soft_w"]
        assert (floor == (None, None)) == (row[f"night_{leg}_low_w"] is None), leg
        assert floor == (None, None) or min(floor) >= 0, leg
    if None not in (row["slope_l1"], row["slope_l2"]):
        assert row["slope_sum"] == pytest.approx(row["slope_l1"] + row["slope_l2"], abs=0.03)
        assert row["slope_sum"] == pytest.approx((row["slope_am"] + row["slope_pm"]) / 2, abs=0.03)
