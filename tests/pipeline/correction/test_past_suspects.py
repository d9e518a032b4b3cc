"""Faults that earlier nights suspected, that no visit ended, and that are over."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl
import pytest
from fault_history import FIXED, ONSET, FaultHistory, build_history, day, episodes
from kernel_days import register

from pipeline.core import contract
from pipeline.correction.history import extend
from pipeline.correction.layout import BY_DATA, EPISODE, FOUND
from pipeline.correction.past_suspects import past_suspects, those_over
from pipeline.faults.catalogue import CATALOGUE
from pipeline.ingest.registers import Registers
from pipeline.scoring.model import Model

LISTED = date(2026, 7, 1)

NO_THREE = pl.DataFrame(schema={"site_id": pl.String, "service": pl.String})


def book(*rows: tuple[str, str, str | None, float]) -> pl.DataFrame:
    """Table promise_book: home, fault, leg, likelihood."""
    schema = {"site_id": pl.String, "fault": pl.String, "leg": pl.String, "likelihood": pl.Float64}
    return pl.DataFrame(list(rows), schema=schema, orient="row").with_columns(promised_on=pl.lit(LISTED))


def registers(**visited_on: date) -> Registers:
    empty = {name: pl.DataFrame(schema=pl.Schema(contract.TABLES[name])) for name in ("crews", "trainings")}
    visits = pl.DataFrame(
        [{"visit_id": home, "site_id": home, "visited_on": on} for home, on in visited_on.items()],
        schema=pl.Schema(contract.TABLES["visits"]),
    )
    sites = register(*({"site_id": home, "service": "120/240", "ct_sees_pv": True} for home in "abc"))
    return Registers(LISTED, sites, visits=visits, rejects=contract.rejects(), **empty)


def suspects(
    listed: pl.DataFrame,
    earlier: pl.DataFrame | None = None,
    tonight: pl.DataFrame | None = None,
    **visited_on: date,
) -> list[tuple[Any, ...]]:
    found = past_suspects(
        listed,
        earlier,
        episodes() if tonight is None else tonight,
        registers=registers(**visited_on),
        three=NO_THREE,
        catalogue=CATALOGUE,
        least_likelihood=0.8,
    )
    assert found.schema == EPISODE
    return found.select("site_id", "fault", "leg", "likelihood").rows()


def test_a_home_listed_once_and_suspected_no_longer_is_asked_again() -> None:
    listed = book(("a", "reversed", "l1", 0.95), ("a", "reversed", "l1", 0.9), ("b", "dead", "l2", 0.7))

    assert [row[:3] for row in suspects(listed)] == [("a", "reversed", "l1")]


def test_what_is_suspected_tonight_is_no_past_suspect() -> None:
    listed = book(("a", "reversed", "l1", 0.95))
    same = episodes({"site_id": "a", "fault": "reversed", "leg": "l1"})
    other_leg = episodes({"site_id": "a", "fault": "reversed", "leg": "both"})

    assert suspects(listed, tonight=same) == []
    assert len(suspects(listed, tonight=other_leg)) == 1


def test_a_visit_since_has_the_last_word() -> None:
    listed = book(("a", "reversed", "l1", 0.95), ("b", "reversed", "l1", 0.95))

    found = suspects(listed, a=date(2026, 7, 3), b=date(2026, 6, 3))

    assert [row[0] for row in found] == ["b"]


def test_a_record_that_is_wrong_spoils_no_reading() -> None:
    right = [name for name, fault in CATALOGUE.items() if fault.remains == "right"]

    assert right
    assert suspects(book(("a", right[0], None, 0.99))) == []


def test_an_earlier_runs_episodes_are_asked_again() -> None:
    earlier = episodes(
        {"site_id": "a", "fault": "dead", "leg": "l1", "likelihood": 0.9, "from_on": LISTED},
        {
            "site_id": "b",
            "fault": "dead",
            "leg": "l1",
            "likelihood": 0.9,
            "from_on": LISTED,
            "why_not": "a clock",
        },
        {"site_id": "c", "fault": "dead", "leg": "l1", "likelihood": 1.0, "from_on": LISTED, "basis": FOUND},
    )

    assert suspects(book(), earlier) == [("a", "dead", "l1", 0.9)]


def test_only_what_is_over_counts_and_nothing_twice() -> None:
    june = {"from_on": date(2026, 6, 1), "to_on": date(2026, 6, 20), "ended_by": BY_DATA}
    dated = episodes(
        {"site_id": "a", "fault": "dead", "leg": "l1", "likelihood": 0.9} | june,
        {"site_id": "a", "fault": "partial", "leg": "l1", "likelihood": 0.95} | june,
        {"site_id": "b", "fault": "dead", "leg": "l1", "likelihood": 0.9, "from_on": date(2026, 6, 1)},
        {"site_id": "c", "fault": "dead", "leg": "l1", "likelihood": 0.9} | june,
    )
    others = episodes({"site_id": "c", "fault": "reversed", "leg": "l1", "from_on": date(2026, 6, 20)})

    over = those_over(dated, others)

    assert over.select("site_id", "fault").rows() == [("a", "partial")]
    assert over.columns == dated.columns


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory, model: Model) -> FaultHistory:
    return build_history(tmp_path_factory.mktemp("over"), model)


def test_a_fault_that_went_away_is_dated_by_its_days(known: FaultHistory) -> None:
    listed = book(
        ("H00001", "dead", "l2", 0.97), ("H00003", "dead", "l2", 0.97), ("H00000", "reversed", "l1", 0.9)
    )
    past = past_suspects(
        listed,
        None,
        episodes(),
        registers=known.registers,
        three=NO_THREE,
        catalogue=CATALOGUE,
        least_likelihood=0.8,
    )

    dated = extend(known.con, past, known.files, registers=known.registers, yardstick=known.yardstick)
    over = those_over(dated, episodes())

    # The third has its fault still: tonight's likelihood, below what is asked for, has the say.
    assert over["site_id"].to_list() == ["H00001"]
    assert abs((over["from_on"][0] - day(ONSET)).days) <= 1
    assert abs((over["to_on"][0] - day(FIXED)).days) <= 1
