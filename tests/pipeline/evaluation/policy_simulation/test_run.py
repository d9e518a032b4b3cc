"""The whole rehearsal on a fleet of a few homes: every night run, every morning gone out, tallied and written."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import polars as pl
import pytest

from pipeline.commands import policy_simulation
from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.evaluation.policy_simulation import series
from pipeline.evaluation.policy_simulation.crew import LEDGER
from pipeline.evaluation.policy_simulation.page import LINES
from pipeline.evaluation.policy_simulation.policies import POLICIES
from pipeline.evaluation.policy_simulation.request import SimulationRequest
from pipeline.evaluation.policy_simulation.results import MAIN, count_in_vain
from pipeline.evaluation.policy_simulation.run import simulate_policies
from pipeline.simulate.families.spec import UnlikeSpec
from pipeline.simulate.spec import FleetSpec

REQUEST = SimulationRequest(sites=20, nights=3, visits=2, seed=5, workers=1)
SETTINGS = "[rehearsal]\nfault_share = 0.6\nonset_share = 0.0\nhard_share = 0.0\nhistory_days = 2\n"
WRITTEN = ("targets.csv", "policies.csv", "days.csv", "visits.csv", "fixes.csv", "index.html", "wasted.svg")


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rehearsal by the command, start to end, by two processes."""
    folder = tmp_path_factory.mktemp("first")
    own = folder / "own.toml"
    own.write_text(SETTINGS)
    policy_simulation.rehearse(
        sites=20, nights=3, visits=2, seed=5, workers=2, out=folder / "out", settings=own
    )
    return folder / "out"


@pytest.mark.heavy
def test_a_rehearsal_writes_what_it_found(first: Path) -> None:
    numbers = json.loads((first / "tally.json").read_text())
    by = {row["policy"]: row for row in numbers["tables"]["policies"]}
    assert list(by) == list(LINES)
    assert by["nobody goes"]["visits"] == 0
    assert by["alphabetical"]["visits"] == 2 * 2  # three nights have two mornings between them
    assert 0 < by[MAIN]["visits"] <= 4
    assert by[MAIN]["wrong_mwh"] < by["nobody goes"]["wrong_mwh"]
    assert by[MAIN]["put_right"] > 0
    assert by[MAIN]["again_any"] == 0
    with (first / "days.csv").open() as file:
        days = list(csv.DictReader(file))
    assert len(days) == 5 * 3
    page = (first / "index.html").read_text()
    assert page.count("<table") == len(numbers["tables"])
    assert page.count("<img") == 4
    assert "http" not in re.sub(r"http-equiv", "", page)


@pytest.mark.heavy
def test_what_crews_found_is_told_to_the_nights_of_the_list_only(first: Path) -> None:
    told = {policy.name: first / "series" / policy.name / "lake" / "visits.csv" for policy in POLICIES[:3]}
    heights = {name: pl.read_csv(path).height for name, path in told.items()}
    assert heights["nightclamp"] > 0
    assert heights["likelihood"] == heights["negative_nights"] == 0
    standing = pl.read_parquet(first / "series" / "nightclamp" / "out" / "latest" / "standing.parquet")
    assert standing["last_visit_on"].drop_nulls().len() > 0


@pytest.mark.heavy
def test_stopped_and_started_again_in_one_process_it_comes_to_the_same_bytes(
    first: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = tmp_path / "own.toml"
    own.write_text(SETTINGS)
    run, nights = series.run_night, []

    def stopped(*args: object, **named: object) -> object:
        nights.append(args)
        if len(nights) == 2:
            raise KeyboardInterrupt
        return run(*args, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(series, "run_night", stopped)
    asked = {"sites": 20, "nights": 3, "visits": 2, "seed": 5, "workers": 1}
    with pytest.raises(KeyboardInterrupt):
        policy_simulation.rehearse(**asked, out=tmp_path / "out", settings=own)
    policy_simulation.rehearse(**asked, out=tmp_path / "out", settings=own)

    assert len(nights) == 2 + 2 + 3 + 3
    for name in WRITTEN:
        assert (tmp_path / "out" / name).read_bytes() == (first / name).read_bytes(), name


@pytest.mark.heavy
def test_another_rehearsal_does_not_mix_with_the_one_that_is_there(first: Path) -> None:
    with pytest.raises(InputError, match="another rehearsal"):
        simulate_policies(REQUEST, first / "series", load_settings())


@pytest.mark.parametrize("wrong", [{"sites": 5}, {"nights": 1}, {"visits": 0}, {"workers": 0}])
def test_what_can_t_be_rehearsed_is_refused(wrong: dict[str, int]) -> None:
    with pytest.raises(InputError, match="a rehearsal needs"):
        SimulationRequest(**wrong)


def test_quick_is_a_tenth_of_homes_and_visits_and_half_of_the_nights() -> None:
    quick = SimulationRequest(is_quick=True)
    assert (quick.homes, quick.visits_a_day, len(quick.days)) == (200, 1, 91)
    assert len(SimulationRequest().days) == 182


def test_a_family_has_its_own_fleet_and_an_unknown_one_is_refused() -> None:
    settings = load_settings().rehearsal
    assert isinstance(SimulationRequest().fleet_spec(settings), FleetSpec)
    fleet = SimulationRequest(sites=30, nights=4, family="weather", seed=3).fleet_spec(settings)
    assert isinstance(fleet, UnlikeSpec)
    assert (fleet.family, fleet.sites, fleet.days, fleet.seed) == (
        "weather",
        30,
        settings.history_days + 4,
        3,
    )
    assert (fleet.fault_share, fleet.hard_share) == (settings.fault_share, settings.hard_share)
    with pytest.raises(InputError, match="choose one of streets, crest"):
        SimulationRequest(family="moon")


def test_what_was_for_nothing_is_counted_by_suspected_fault() -> None:
    rows = [
        ("truck", "dead", "dead", True), ("truck", "dead", "sound", False), ("truck", "partial", "sound", False),
        ("desk", "wrong_scope", None, True), ("desk", "wrong_scope", "wrong_scope", True),
    ]  # fmt: skip
    ledger = pl.DataFrame(
        [dict(zip(("by", "reason", "found", "was_faulty"), row, strict=True)) for row in rows], schema=LEDGER
    )

    table = count_in_vain(ledger)

    assert table.select("by", "suspected", "tried", "in_vain").rows() == [
        ("truck", "all", 3, 2), ("truck", "dead", 2, 1), ("truck", "partial", 1, 1),
        ("desk", "all", 2, 1), ("desk", "wrong_scope", 2, 1),
    ]  # fmt: skip
    assert count_in_vain(pl.DataFrame(schema=LEDGER)).is_empty()


@pytest.mark.heavy
def test_a_rehearsal_on_a_family_s_fleet(tmp_path: Path) -> None:
    settings = tmp_path / "own.toml"
    settings.write_text(SETTINGS)
    out = tmp_path / "out"

    policy_simulation.rehearse(
        sites=20, nights=2, visits=3, seed=5, family="weather", workers=1, out=out, settings=settings
    )

    numbers = json.loads((out / "tally.json").read_text())
    assert "family weather" in numbers["told"]
    by = {row["policy"]: row for row in numbers["tables"]["policies"]}
    assert by[MAIN]["put_right"] > 0
    assert by[MAIN]["wrong_mwh"] < by["nobody goes"]["wrong_mwh"]
    tried = {row["by"]: row for row in numbers["tables"]["for_nothing"] if row["suspected"] == "all"}
    assert tried["truck"]["tried"] == by[MAIN]["visits"]
    assert tried["truck"]["in_vain"] == by[MAIN]["wasted"]
