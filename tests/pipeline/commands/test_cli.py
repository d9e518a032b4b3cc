"""What a user meets at the command line: exit statuses, one line a problem, never a traceback."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from lakes import DAY, build_lake, put, rows

from pipeline.commands import cli

NEXT = DAY + timedelta(days=1)


def run(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    """Run the command in this process; return exit status, what it said and what it complained of."""
    status = 0
    try:
        cli.main([str(word) for word in words])
    except SystemExit as left:
        status = int(left.code or 0)
    told = capsys.readouterr()
    assert "Traceback" not in told.out + told.err
    return status, told.out, told.err


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    root = build_lake(tmp_path / "lake")
    for day in (DAY, NEXT):
        put(root, "part.parquet", pl.concat([rows("a", day), rows("b", day)]), day)
    return root


def test_a_night_on_a_small_lake_ends_well_and_says_where_the_results_are(
    lake: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    status, told, _ = run(capsys, "nightly", lake, "--out", out)
    assert status == 0
    assert "384 in = 384 used + 0 duplicate + 0 rejected" in told
    assert str(out / "runs" / str(NEXT)) in told
    published = {path.name for path in (out / "latest").iterdir()}
    assert published >= {
        "site_scores.parquet", "revisit_list.csv", "revisit_list.parquet", "crew_quality.csv",
        "crew_quality.parquet", "rejects.parquet", "report", "nightclamp.duckdb", "run.json",
    }  # fmt: skip
    scores = pl.read_parquet(out / "latest" / "site_scores.parquet")
    assert scores["site_id"].to_list() == ["a", "b"]
    assert scores["verdict"].to_list() == ["unproven", "unproven"]
    assert json.loads((out / "latest" / "run.json").read_text())["as_of"] == str(NEXT)


def test_explain_tells_a_home_and_offers_the_nearest_name(
    lake: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(capsys, "nightly", lake, "--out", tmp_path / "out")
    status, told, _ = run(capsys, "explain", "a", "--out", tmp_path / "out")
    assert status == 0
    assert "unproven" in told
    status, _, complaint = run(capsys, "explain", "aa", "--out", tmp_path / "out")
    assert status == 2
    assert "did you mean 'a'?" in complaint


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda root: [path.unlink() for path in root.rglob("*.parquet")], "no day holds a file"),
        (lambda root: (root / "sites.csv").unlink(), "no sites.csv"),
        (lambda root: (root / "sites.csv").write_text("home,area\na,north\n"), "site_id"),
        (lambda root: (root / "lake.toml").write_text("[intervals]\ncolour = 'red'\n"), "colour"),
    ],
    ids=["empty lake", "no register", "register without ids", "unknown mapping key"],
)
def test_an_unusable_lake_is_one_line_and_exit_status_2(
    spoil, says, lake: Path, tmp_path: Path, capsys
) -> None:
    spoil(lake)
    status, _, complaint = run(capsys, "nightly", lake, "--out", tmp_path / "out")
    assert status == 2
    assert says in complaint
    assert complaint.count("\n") == 1
    assert not (tmp_path / "out" / "latest").exists()


@pytest.mark.parametrize(
    ("name", "content", "reason", "bad_rows"),
    [
        ("late.parquet", b"PAR1 but not really", "the file", 0),
        ("late.parquet", rows("a").drop("l1_w"), "l1_w", 0),
        ("late.csv", "site_id,interval_start,l1_w,l2_w,pv_w\na,2025-06-01T00:00:00Z,much,1,2\n", "much", 1),
        ("late.parquet", rows("stranger"), "unknown home", 96),
        ("late.parquet", rows("a", l1_w=math.nan), "l1_w", 96),
        ("late.parquet", rows("a", pv_w=math.inf), "pv_w", 96),
        ("late.parquet", rows("b", l1_w=100_000.0), "l1_w", 96),
        ("late.parquet", rows("a", NEXT), "day", 96),
    ],
    ids=["corrupt Parquet", "missing column", "text in a number", "unknown home", "NaN", "infinity",
         "100 kW through 100 A", "rows of another day"],
)  # fmt: skip
def test_bad_input_becomes_rejects_with_a_reason_and_the_night_goes_on(
    name, content, reason, bad_rows, lake: Path, tmp_path: Path, capsys
) -> None:
    put(lake, name, content, DAY, arrived_h=5)
    status, _, _ = run(capsys, "nightly", lake, "--out", tmp_path / "out")
    assert status == (
        3 if bad_rows > 1 else 0
    )  # a third of the newest day's rows is an alarm beside the list
    latest = tmp_path / "out" / "latest"
    rejects = pl.read_parquet(latest / "rejects.parquet")
    assert rejects.height == max(bad_rows, 1)
    assert rejects["reason"].str.contains(reason, literal=True).all()
    assert rejects["source_file"].str.ends_with(name).all()
    counts = json.loads((latest / "run.json").read_text())["counts"]
    assert counts["rows_rejected"] == bad_rows
    assert counts["rows_in"] == counts["rows_used"] + counts["rows_duplicate"] + counts["rows_rejected"]
    assert counts["rows_used"] == 384


def test_a_night_in_the_future_is_rejected_whole(lake: Path, tmp_path: Path, capsys) -> None:
    far = date.today() + timedelta(days=400)
    put(lake, "part.parquet", rows("a", far), far)
    status, _, _ = run(capsys, "nightly", lake, "--out", tmp_path / "out")
    assert status == 0
    run_json = json.loads((tmp_path / "out" / "latest" / "run.json").read_text())
    assert run_json["as_of"] == str(NEXT)
    assert run_json["counts"]["rows_rejected"] == 96
    status, _, complaint = run(capsys, "nightly", lake, "--out", tmp_path / "out", "--as-of", str(far))
    assert status == 2
    assert "future" in complaint


def test_a_fleet_too_small_to_learn_from_is_one_line_and_exit_status_2(
    lake: Path, tmp_path: Path, capsys
) -> None:
    out = tmp_path / "out"
    status, _, complaint = run(capsys, "train", lake, "--out", out)
    assert status == 2
    assert "0 homes of 2 look sound, 100 are needed" in complaint
    assert complaint.count("\n") == 1
    assert not (out / "model").exists()
    assert run(capsys, "train", tmp_path / "nowhere", "--out", out)[0] == 2


def test_the_night_says_which_model_it_worked_with(lake: Path, tmp_path: Path, capsys) -> None:
    out = tmp_path / "out"
    (out / "model").mkdir(parents=True)
    status, told, _ = run(capsys, "nightly", lake, "--out", out)
    assert status == 0
    assert "shipped, since the fleet's own can't be used" in told
    run_json = json.loads((out / "latest" / "run.json").read_text())
    assert run_json["model"].startswith("shipped, since")
    # two homes hardly move the usual share
    assert run_json["base_rate"] == pytest.approx(0.05, rel=0.3)
    page = (out / "latest" / "report" / "index.html").read_text()
    assert f"Model {run_json['model_id']} (shipped, since" in page


def test_check_names_problems_and_ends_with_2(lake: Path, capsys) -> None:
    assert run(capsys, "check", lake)[0] == 0
    put(lake, "late.parquet", rows("stranger"), NEXT)
    status, told, _ = run(capsys, "check", lake)
    assert status == 2
    assert "stranger" in told
    assert told.rstrip().endswith(": 1 problem")


@pytest.mark.parametrize("words", [("nightly",), ("nightly", "x", "--window-days", "many"), ("dance",)])
def test_wrong_use_is_exit_status_2_and_one_line(words, capsys) -> None:
    status, _, complaint = run(capsys, *words)
    assert status == 2
    assert complaint.count("\n") == 1


def test_a_failed_night_leaves_latest_as_it_was(lake: Path, tmp_path: Path, capsys, monkeypatch) -> None:
    out = tmp_path / "out"
    run(capsys, "nightly", lake, "--out", out, "--as-of", str(DAY))
    before = (out / "latest" / "run.json").read_text()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.nightly.run.draw_report", full)
    status, _, complaint = run(capsys, "nightly", lake, "--out", out)
    assert status == 1
    assert complaint.startswith("nightclamp: no space on ")
    assert (out / "latest" / "run.json").read_text() == before
    assert not (out / "runs" / str(NEXT)).exists()


def test_the_module_is_the_command() -> None:
    told = subprocess.run(
        [sys.executable, "-m", "pipeline.commands.cli", "--version"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert told.stdout.startswith("0.1.0 (source ")


def test_a_word_that_is_no_text_is_one_line(lake: Path, capsys) -> None:
    status, _, complaint = run(capsys, "explain", "\udcff")
    assert status == 2
    assert "\\udcff: not UTF-8 text" in complaint


def test_homes_with_hostile_names_are_told_as_letters(lake: Path, tmp_path: Path, capsys) -> None:
    (lake / "sites.csv").write_text("site_id\n[/red]\na\x1b[2J\n../../etc\n", encoding="utf-8")
    put(lake, "late.parquet", rows("[/red]", NEXT), NEXT)
    assert (
        run(capsys, "nightly", lake, "--out", tmp_path / "out")[0] == 3
    )  # all other rows are of unknown homes
    told = (
        "".join(run(capsys, "check", lake)[1:])
        + run(capsys, "explain", "a\x1b[2J", "--out", tmp_path / "out")[1]
    )
    assert "\x1b" not in told
    assert "a\\x1b[2J" in told


def test_what_the_database_engine_can_not_do_is_one_line(lake: Path, tmp_path: Path, capsys) -> None:
    (tmp_path / "own.toml").write_text('[engine]\nmemory_limit = "0MB"\nthreads = 1\n')
    status, _, complaint = run(
        capsys, "nightly", lake, "--out", tmp_path / "out", "--settings", tmp_path / "own.toml"
    )
    assert status in (1, 2)
    assert complaint.count("\n") == 1


def test_a_lake_of_nothing_but_rejects_is_still_a_whole_run(lake: Path, tmp_path: Path, capsys) -> None:
    for day in (DAY, NEXT):
        put(lake, "part.parquet", rows("stranger", day), day)
    run(capsys, "nightly", lake, "--out", tmp_path / "out")
    run_json = json.loads((tmp_path / "out" / "latest" / "run.json").read_text())
    assert (run_json["counts"]["rows_rejected"], run_json["counts"]["homes_silent"]) == (192, 2)
    assert pl.read_parquet(tmp_path / "out" / "latest" / "revisit_list.parquet").height == 0


def test_a_file_as_lake_and_a_typo_are_said_before_anything_is_made(
    lake: Path, tmp_path: Path, capsys
) -> None:
    out = tmp_path / "made"
    for wrong, says in ((lake / "sites.csv", "is a file"), (tmp_path / "lakk", "no such folder")):
        status, _, complaint = run(capsys, "nightly", wrong, "--out", out)
        assert (status, complaint.count("\n")) == (2, 1)
        assert f"{wrong}: {says}; name a lake's folder" in complaint
        assert not out.exists()


def test_json_is_one_document_of_the_same_facts(lake: Path, tmp_path: Path, capsys) -> None:
    out = tmp_path / "out"
    status, told, _ = run(capsys, "nightly", lake, "--out", out, "--json")
    night = json.loads(told)
    assert status == 0
    told_of = (
        "as_of results report is_latest model days_read counts listed site_visits remote_fixes list alarms"
    )
    assert set(night) == {*told_of.split(), "seconds"}
    assert (night["as_of"], night["days_read"], night["counts"]["rows_used"]) == (str(NEXT), 2, 384)
    assert Path(night["report"]).is_file()

    _, told, complaint = run(capsys, "explain", "a", "--out", out, "--json")
    home = json.loads(told)
    told_of = "site_id as_of score listed status fault weights wiring events safety_call"
    assert set(home) == set(told_of.split())
    assert (home["site_id"], home["as_of"], home["listed"], complaint) == ("a", str(NEXT), None, "")
    assert home["score"]["likelihood"] == pl.read_parquet(out / "latest/site_scores.parquet")["likelihood"][0]

    put(lake, "late.parquet", rows("stranger"), NEXT)
    status, told, complaint = run(capsys, "check", lake, "--json")
    checked = json.loads(told)
    assert (status, checked["is_in_contract"], checked["failed"], complaint) == (2, False, 1, "")
    assert [set(problem) for problem in checked["problems"]] == [{"severity", "where", "what", "hint"}] * len(
        checked["problems"]
    )
    status, told, complaint = run(capsys, "check", tmp_path, "--json")
    assert (status, told, complaint.count("\n")) == (2, "", 1)
