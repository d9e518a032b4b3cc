"""Why a home is or isn't on the list: every reason, and that one reason is all that decides."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl
import pytest

from pipeline.core.contract import FAULTS
from pipeline.core.settings import load_settings
from pipeline.worklist.home_status_text import HELD, LISTED, Reason
from pipeline.worklist.listing import list_order, with_reasons

OWN = load_settings().ranking.model_copy(
    update={
        "least_likelihood": 0.2, "least_nights": 7, "leave_likelihood": 0.15, "leave_below": -25.0, "also_from": 0.1,
        "max_rows": 3,
    }
)  # fmt: skip
TYPES = {
    "outcome": pl.String, "proof": pl.String, "held_fault": pl.String, "standing_before": pl.String,
    "is_listed_before": pl.Boolean, "break_even": pl.Float64, "from_on": pl.Date,
}  # fmt: skip


def home(site_id: str = "A", **changed: Any) -> dict[str, Any]:
    """What is known tonight of a home: an unproven one that was never visited, and that going pays for."""
    shares = dict.fromkeys((*FAULTS, "sound"), 0.0) | changed.pop("shares", {})
    return {
        "site_id": site_id, "verdict": "unproven", "likelihood": 0.4, "nights": 20, "priority": 10.0,
        "break_even": 0.3, "from_on": date(2026, 5, 20), "fault": "reversed", "fault_likelihoods": shares,
        "outcome": None, "proof": None, "has_data": True, "is_too_soon": False, "held_fault": None,
        "standing_before": None, "is_listed_before": None,
    } | changed  # fmt: skip


def told(*homes: dict[str, Any]) -> pl.DataFrame:
    return with_reasons(pl.DataFrame(list(homes), schema_overrides=TYPES), FAULTS, OWN)


def reason(**changed: Any) -> str:
    row = told(home(**changed)).row(0, named=True)
    assert row["is_listed"] == (row["reason"] in LISTED)
    assert row["is_held"] == (row["reason"] in HELD)
    named: str = row["reason"]
    return named


SOUND = {"verdict": "sound", "likelihood": 0.02, "priority": -80.0}
SUSPECT = {"verdict": "suspect", "likelihood": 0.9}
FOUND_SOUND = SUSPECT | {"outcome": "sound", "held_fault": "reversed"}


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        pytest.param(SUSPECT, Reason.SUSPECT, id="suspect"),
        pytest.param(SUSPECT | {"nights": 1}, Reason.SUSPECT, id="a suspect on little data"),
        pytest.param(
            SUSPECT | {"priority": -1.0}, Reason.SUSPECT, id="a suspect that going would not pay for"
        ),
        pytest.param({}, Reason.PAYS, id="unproven"),
        pytest.param({"is_listed_before": True}, Reason.PAYS, id="unproven and listed before"),
        pytest.param(
            {"priority": -24.0, "is_listed_before": True}, Reason.STAYS, id="a little below the cut"
        ),
        pytest.param(
            {"likelihood": 0.16, "nights": 3, "is_listed_before": True},
            Reason.STAYS,
            id="a little too unlikely",
        ),
        pytest.param(SUSPECT | {"outcome": "open"}, Reason.LEFT_UNFIXED, id="left unfixed"),
        pytest.param({"outcome": "open", "priority": -99.0}, Reason.LEFT_UNFIXED, id="whatever it is worth"),
        pytest.param(
            SOUND | {"outcome": "fixed", "proof": "still wrong"},
            Reason.STILL_WRONG,
            id="a fix that did not hold",
        ),
        pytest.param(FOUND_SOUND | {"has_data": False}, Reason.NO_DATA_SINCE, id="found sound today"),
        pytest.param(
            FOUND_SOUND | {"fault": "dead", "is_too_soon": True},
            Reason.TOO_SOON,
            id="another fault, one night",
        ),
        pytest.param(
            SUSPECT | {"standing_before": "proved right by the data", "is_too_soon": True},
            Reason.TOO_SOON,
            id="just proved right",
        ),
        pytest.param(FOUND_SOUND, Reason.LOOKS_AS_BEFORE, id="found sound"),
        pytest.param(FOUND_SOUND | {"outcome": "other"}, Reason.LOOKS_AS_BEFORE, id="another cause found"),
        pytest.param(
            FOUND_SOUND | {"fault": "legs_crossed", "shares": {"reversed": 0.3}},
            Reason.LOOKS_AS_BEFORE,
            id="faults that trade places",
        ),
        pytest.param(FOUND_SOUND | {"fault": "dead"}, Reason.SUSPECT, id="another fault that lasts"),
        pytest.param(
            SUSPECT | {"outcome": "fixed", "proof": "too early to tell"},
            Reason.SAID_FIXED,
            id="said to be fixed",
        ),
        pytest.param(
            {"likelihood": 0.05, "priority": -80.0, "nights": 0, "from_on": None}, Reason.NO_DATA, id="silent"
        ),
        pytest.param(SOUND, Reason.LOOKS_RIGHT, id="sound"),
        pytest.param(
            SOUND | {"is_listed_before": True, "priority": 500.0}, Reason.LOOKS_RIGHT, id="sound now"
        ),
        pytest.param(SOUND | {"outcome": "open"}, Reason.LOOKS_RIGHT, id="left unfixed, right since"),
        pytest.param({"priority": -5.0, "break_even": None}, Reason.NEVER_PAYS, id="never pays"),
        pytest.param(
            {"priority": -1.0, "break_even": 0.41}, Reason.BELOW_BREAK_EVEN, id="below its break-even"
        ),
        pytest.param(
            {"priority": -26.0, "break_even": 0.5, "is_listed_before": True},
            Reason.BELOW_BREAK_EVEN,
            id="clearly below the cut",
        ),
        pytest.param({"likelihood": 0.19, "priority": 500.0}, Reason.UNLIKELY, id="cheap, but unlikely"),
        pytest.param(
            {"likelihood": 0.14, "nights": 3, "is_listed_before": True}, Reason.UNLIKELY, id="unlikely by now"
        ),
        pytest.param({"nights": 6}, Reason.FEW_NIGHTS, id="few nights"),
    ],
)
def test_a_home_has_the_reason_that_decides(changed: dict[str, Any], why: Reason) -> None:
    assert reason(**changed) == why


def test_a_home_cut_by_its_value_is_not_said_to_lack_data() -> None:
    """Also with few nights: more of them would not list it as long as going doesn't pay."""
    assert reason(priority=-1.0, break_even=0.41, nights=3) == Reason.BELOW_BREAK_EVEN
    assert reason(likelihood=0.19, nights=3) == Reason.UNLIKELY


def test_what_ranks_below_the_lists_end_is_wanted_and_not_listed() -> None:
    homes = told(
        home("low", **SUSPECT, priority=1.0), home("b", **SUSPECT, priority=9.0), home("a", **SUSPECT, priority=9.0),
        home("unproven", priority=80.0), home("costly", **SUSPECT, priority=-1.0), home("held", **FOUND_SOUND),
    )  # fmt: skip

    ranked = homes.filter("is_listed").sort(list_order())["site_id"].to_list()
    beyond = homes.filter(pl.col("reason") == Reason.BEYOND_END)

    assert ranked == ["a", "b", "low"]
    assert beyond["site_id"].to_list() == ["unproven", "costly"]
    assert not beyond.select(pl.any_horizontal("is_listed", "is_held")).to_series().any()
    assert homes.filter("is_held")["site_id"].to_list() == ["held"]


def test_every_reason_is_listed_held_beyond_or_unwanted_and_has_words_of_its_own() -> None:
    unwanted = set(Reason) - {*LISTED, *HELD, Reason.BEYOND_END}
    assert len(LISTED) + len(HELD) + len(unwanted) + 1 == len(Reason) == len({str(one) for one in Reason})
