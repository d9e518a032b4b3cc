"""Runs tests/faults/<fault>.yaml: homes unlike the right home, and what each piece of evidence then says.

never_null  pieces that can always tell, left out if there are none
cases       why     what the case shows, in one sentence
            given   columns of table site_signal that differ from right_home.yaml
            expect  piece -> leg -> over: x, under: x, or null for *cannot tell*
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from string import Formatter
from typing import Any

import polars as pl
import pytest
import yaml

from pipeline import sound, warehouse
from pipeline.contract import SOUND
from pipeline.evidence import all_pieces, weigh
from pipeline.fault import Piece
from pipeline.faults import CATALOGUE
from pipeline.features import site_fact
from pipeline.settings import load_settings
from pipeline.telling import sentence
from pipeline.learning.training import Labelled

HERE = Path(__file__).parent
SETTINGS = load_settings()
ROOMS = (SOUND, *CATALOGUE)
PIECES = {piece.name: piece for _, piece in all_pieces(CATALOGUE)}
PIECES_OF = {SOUND: sound.PIECES, **{name: fault.pieces for name, fault in CATALOGUE.items()}}
# What a look at the window adds to site_signal; no piece reads it.
OF_THE_WINDOW = {"from_on", "changed_on", "change_z", "change_of", "change_told"}
# Columns that every home has, however little is known of it.
ALWAYS_THERE = {
    "site_id", "days", "nights", "slope_days", "service", "is_declared_upstream", "is_added_back",
    "has_battery", "has_battery_w", "is_battery_hidden", "is_clock_suspect", "has_probe",
}  # fmt: skip


@cache
def read(name: str) -> dict[str, Any]:
    path = HERE / f"{name}.yaml"
    held: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8")) if path.exists() else {}
    return held


RIGHT = read("right_home")


@dataclass(frozen=True)
class Case:
    room: str
    number: int
    why: str
    given: Mapping[str, Any]
    expect: Mapping[str, Mapping[str, Mapping[str, float] | None]]

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


@dataclass(frozen=True)
class Answers:
    """What every piece says of every case's home, `values[case][piece][leg]`, and the homes' rows, typed."""

    homes: pl.DataFrame
    values: Mapping[str, Mapping[str, Mapping[str, float | None]]]

    def best(self, case: Case, piece: str) -> float | None:
        known = [value for value in self.values[case.name][piece].values() if value is not None]
        return max(known, default=None)


@pytest.fixture(scope="module")
def answers(fleet: Labelled) -> Answers:
    schema = {name: kind for name, kind in fleet.signals.schema.items() if name in RIGHT}
    homes = pl.DataFrame([case.row for case in CASES], schema=schema)
    spoken = weigh(homes, CATALOGUE).by_leg
    values = {
        case.name: {
            piece: {leg: None if said[at] != said[at] else float(said[at]) for leg, said in legs.items()}
            for piece, legs in spoken.items()
        }
        for at, case in enumerate(CASES)
    }
    return Answers(homes, values)


def said(value: float | None, expected: Mapping[str, float] | None) -> bool:
    if expected is None or value is None:
        return expected is None and value is None
    assert expected.keys() <= {"over", "under"}
    assert expected
    return expected.get("over", -1.0) < value < expected.get("under", 2.0)


@pytest.mark.parametrize("room", ROOMS)
def test_every_room_has_cases_about_its_own_pieces(room: str) -> None:
    held = read(room)
    own = {piece.name for piece in PIECES_OF[room]}

    assert held, f"write tests/faults/{room}.yaml"
    assert held.keys() <= {"never_null", "cases"}
    assert set(held.get("never_null", [])) <= own
    for case in held["cases"]:
        assert case.keys() == {"why", "given", "expect"}
        assert case["why"].endswith(".")
        assert case["expect"].keys() <= own
        assert case["given"].keys() <= RIGHT.keys() - {"site_id"}
        for piece, legs in case["expect"].items():
            assert legs.keys() <= PIECES[piece].by_leg.keys()


def test_every_file_belongs_to_a_room() -> None:
    assert {path.stem for path in HERE.glob("*.yaml")} == {*ROOMS, "right_home"}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_case(case: Case, answers: Answers) -> None:
    values = answers.values[case.name]
    wrong = {
        (piece, leg): (values[piece][leg], expected)
        for piece, legs in case.expect.items()
        for leg, expected in legs.items()
        if not said(values[piece][leg], expected)
    }

    assert wrong == {}, case.why


@pytest.mark.parametrize("piece", PIECES)
def test_every_piece_is_seen_to_speak_for_to_speak_against_and_to_be_silent(
    piece: str, answers: Answers
) -> None:
    """A case counts where it expects something of the piece: on the best leg, as the classifier reads it."""
    found = [answers.best(case, piece) for case in CASES if piece in case.expect]
    can_always_tell = any(piece in read(room).get("never_null", []) for room in ROOMS)

    assert any(value is not None and value > 0.5 for value in found), "no case where it speaks for"
    assert any(value is not None and value < 0.5 for value in found), "no case where it speaks against"
    assert can_always_tell or None in found, "no case where it cannot tell"


def test_only_those_never_null_speak_of_a_home_without_a_number(answers: Answers) -> None:
    blank = answers.homes[:1].with_columns(
        pl.lit(None).cast(kind).alias(name)
        for name, kind in answers.homes.schema.items()
        if name not in ALWAYS_THERE
    )
    spoken = weigh(blank.with_columns(nights=pl.lit(0, pl.Int32)), CATALOGUE).by_leg

    can_tell = {name for name, legs in spoken.items() if any(value[0] == value[0] for value in legs.values())}
    assert can_tell == {name for room in ROOMS for name in read(room).get("never_null", [])}


def test_no_piece_says_not_a_number(answers: Answers) -> None:
    """NaN would pass for *cannot tell* and hide a broken expression."""
    for name, piece in PIECES.items():
        for leg, value in piece.by_leg.items():
            is_nan = answers.homes.select(value.cast(pl.Float64).is_nan().any())
            assert not is_nan.item(), (name, leg)


def test_the_right_home_is_a_row_of_site_signal(fleet: Labelled) -> None:
    assert {*RIGHT, *OF_THE_WINDOW} == {*fleet.signals.columns}
    assert None not in RIGHT.values()


def test_the_numbers_of_a_case_hang_together(answers: Answers, fleet: Labelled, tmp_path: Path) -> None:
    """Gains follow from slopes, z from sag and its error, and so on, as sql/site_signal.sql derives them."""
    facts = site_fact(fleet.sites).columns
    derived = set(re.findall(r"\bAS (\w+)", warehouse.sql_text("site_signal"))) & {*RIGHT}
    con = warehouse.connect(tmp_path, SETTINGS.engine)
    con.register("site_feature", answers.homes.drop(*derived, *(set(facts) - {"site_id"})).to_arrow())
    con.register("site_fact", answers.homes.select(facts).to_arrow())
    truth = warehouse.query(con, "site_signal", SETTINGS.feature.model_dump()).sort("site_id")
    con.close()

    told = answers.homes.sort("site_id")
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


@pytest.mark.parametrize("piece", PIECES.values(), ids=list(PIECES))
def test_what_a_piece_reads_are_columns_of_site_signal(piece: Piece) -> None:
    read_by_it = {name for value in piece.by_leg.values() for name in value.meta.root_names()}

    assert {*piece.needs} <= RIGHT.keys()
    assert read_by_it <= RIGHT.keys()
    assert piece.needs


@pytest.mark.parametrize("piece", PIECES.values(), ids=list(PIECES))
def test_a_piece_has_a_sentence_for_every_home(piece: Piece) -> None:
    fields = {field for _, field, _, _ in Formatter().parse(piece.sentence) if field is not None}
    told = sentence(piece.sentence, RIGHT)
    untold = sentence(piece.sentence, dict.fromkeys(RIGHT))

    assert fields <= RIGHT.keys()
    assert "n/a" not in told
    assert untold.count("n/a") == sum(
        field is not None for _, field, _, _ in Formatter().parse(piece.sentence)
    )
    assert not re.search("[{}]", told + untold)
