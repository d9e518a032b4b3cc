"""What `nightclamp verify` finds in an OUT on disk, and what it says to do."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from published_runs import DAMAGES, DAYS, TABLE, cut, publish_run, publish_runs

from pipeline.storage import publish
from pipeline.storage.verify_out import Checked, verify_folder

LAST = DAYS[-1]


@pytest.fixture
def out(tmp_path: Path) -> Path:
    """Three runs, the last replaced once, and a store of one day."""
    out = publish_runs(tmp_path / "out")
    publish_run(out, LAST)
    for name in ("store/site_day/date=2026-06-14/site_day-x.parquet", "dispatch/2026-06-14/dispatch.parquet"):
        (out / name).parent.mkdir(parents=True)
        TABLE.write_parquet(out / name)
    (out / "store" / "intake").mkdir()
    (out / "store" / "intake" / "intake-x.json").write_text("{}")
    return out


def lines(out: Path) -> list[str]:
    return [problem.line() for problem in verify_folder(out, Checked())]


def test_an_out_that_is_whole_has_no_problem_and_is_counted(out: Path) -> None:
    checked, told = Checked(), list[str]()
    assert list(verify_folder(out, checked, told.append)) == []
    assert checked == Checked(runs=3, old_runs=0, files=3 * 6 + 3)
    assert told == [*(f"the run of {day}" for day in DAYS), "the store"]
    publish_run(out, DAYS[0], has_digests=False)
    list(verify_folder(out, checked := Checked()))
    assert (checked.runs, checked.old_runs) == (3, 1)


@pytest.mark.parametrize("kind", DAMAGES)
@pytest.mark.parametrize("name", ["standing.parquet", "report/index.html", "private/site_contact.parquet"])
def test_a_damaged_file_of_a_run_is_one_line_with_the_night_to_run_again(
    out: Path, name: str, kind: str
) -> None:
    DAMAGES[kind](out / "runs" / str(DAYS[1]) / name)
    (line,) = lines(out)
    assert line.startswith(f"runs/{DAYS[1]}/{name}: {kind}")
    assert line.endswith(f": run `nightclamp nightly LAKE --out {out} --as-of {DAYS[1]}` again")


def lose_run(out: Path) -> None:
    shutil.rmtree((out / "runs" / str(DAYS[0])).resolve())


def lead_elsewhere(out: Path) -> None:
    (out / "other").mkdir()
    publish.turn(out / "latest", Path("other"))


def lead_nowhere(out: Path) -> None:
    publish.turn(out / "latest", Path("runs/2026-06-15"))


def become_folder(out: Path) -> None:
    (out / "latest").unlink()
    (out / "latest").mkdir()


ORPHAN = "runs/.whole/2026-06-01-0123456789ab"
TURN = f"`ln -sfn runs/{LAST} "
PROBLEMS: dict[str, tuple[Callable[[Path], object], str]] = {
    "lost run": (lose_run, rf"runs/{DAYS[0]}: is not there, leads to .whole/{DAYS[0]}-"),
    "dangling latest": (lead_nowhere, f"latest: leads to runs/2026-06-15, which is not there: {TURN}"),
    "latest elsewhere": (lead_elsewhere, f"latest: leads to other, which is no run of this OUT: {TURN}"),
    "no latest": (lambda out: (out / "latest").unlink(), f"latest: missing: {TURN}"),
    "latest a folder": (become_folder, "latest: not a link to a run: move it away, then "),
    "building": (lambda out: (out / "runs" / ".building-2026-06-15").mkdir(), "runs/.building-2026-06-15: left by a"),
    "plan building": (lambda out: (out / "dispatch" / ".building-x").mkdir(), "dispatch/.building-x: left by a"),
    "turning": (lambda out: os.symlink("x", out / ".latest.turning"), ".latest.turning: left by a"),
    "scratch": (lambda out: (out / "store" / ".work").mkdir(), "store/.work: left by a"),
    "half": (lambda out: (out / "store" / "site_day" / ".x.1.part").touch(), "store/site_day/.x.1.part: left by a"),
    "orphan": (lambda out: (out / ORPHAN).mkdir(), f"{ORPHAN}: a run that no day leads to"),
}  # fmt: skip


@pytest.mark.parametrize("kind", PROBLEMS)
def test_each_problem_is_one_line_with_what_to_do(out: Path, kind: str) -> None:
    make, told = PROBLEMS[kind]
    make(out)
    (line,) = lines(out)
    assert line.startswith(told)
    assert line.count(": ") >= 2


def test_what_a_night_at_work_is_building_is_not_left_over(out: Path) -> None:
    with publish.only_night(out):
        publish.building_folder(out, LAST)
        assert lines(out) == []
    assert len(lines(out)) == 1


@pytest.mark.parametrize(
    ("name", "todo"),
    [
        ("store/site_day/date=2026-06-14/site_day-x.parquet", "delete {out}/{name}, it is rebuilt"),
        ("store/intake/intake-x.json", "delete {out}/{name}, it is rebuilt"),
        (
            "dispatch/2026-06-14/dispatch.parquet",
            "run `nightclamp dispatch LAKE --out {out}` again for that night",
        ),
    ],
)
def test_a_file_of_the_store_or_a_plan_that_cannot_be_read_is_one_line(
    out: Path, name: str, todo: str
) -> None:
    cut(out / name) if name.endswith("parquet") else (out / name).write_text("{")
    (line,) = lines(out)
    assert line.startswith(f"{name}: can't be read (")
    assert todo.format(out=out, name=name) in line


def test_what_is_said_to_do_is_enough(out: Path) -> None:
    """`ln -sfn` as told, and the run published again."""
    cut(out / "runs" / str(LAST) / "standing.parquet")
    lead_nowhere(out)
    assert len(lines(out)) == 2
    publish.turn(out / "latest", Path(f"runs/{LAST}"))
    publish_run(out, LAST)
    publish.remove_building(out)
    assert lines(out) == []
