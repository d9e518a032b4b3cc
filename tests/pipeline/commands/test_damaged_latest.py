"""Commands that read OUT/latest name the damaged file and `nightclamp verify`, and write nothing."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from published_runs import cut

from pipeline.commands import cli
from pipeline.commands.utility import read_homes
from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings

LAKE = Path(__file__).parents[3] / "sample_lake"
# Each command, and a table that it reads of the newest run.
COMMANDS = {
    "explain": (["explain", "H00015"], "standing"),
    "explain its normal": (["explain", "H00015"], "fleet_normal"),
    "orders": (["orders"], "site_hour"),
    "orders with contacts": (["orders"], "private/site_contact"),
    "dispatch": (["dispatch", str(LAKE)], "revisit_list"),
    "correct": (["correct", str(LAKE)], "promise_book"),
}


@pytest.mark.parametrize("kind", COMMANDS)
def test_a_damaged_file_of_latest_is_one_line(
    sample_out: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    words, table = COMMANDS[kind]
    out = tmp_path / "out"
    shutil.copytree(
        sample_out, out, symlinks=True, ignore=shutil.ignore_patterns("orders", "dispatch", "corrected")
    )
    file = out / "latest" / f"{table}.parquet"
    cut(file)
    with pytest.raises(SystemExit) as left:
        cli.main([*words, "--out", str(out)])
    told = capsys.readouterr()
    assert left.value.code == 2
    assert told.err.count("\n") == 1
    assert told.err.startswith(f"nightclamp: {out}/latest/{table}.parquet: cut short (100 of ")
    assert f"run `nightclamp verify {out}`" in told.err
    assert not list(out.glob("orders/*/*"))
    assert not list(out.glob("dispatch/*"))
    assert not list(out.glob("corrected/date=*"))


def test_what_a_night_made_of_meters_is_not_read_from_a_damaged_table(
    sample_out: Path, tmp_path: Path
) -> None:
    shutil.copytree(sample_out, tmp_path / "out", symlinks=True)
    assert read_homes(tmp_path / "out", load_settings()).columns[0] == "site_id"
    cut(tmp_path / "out" / "latest" / "site_signal.parquet")
    with pytest.raises(InputError, match=r"site_signal.parquet: cut short .*; run `nightclamp verify"):
        read_homes(tmp_path / "out", load_settings())
