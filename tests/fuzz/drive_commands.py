"""Drives the commands: whole nights of hostile homes, and everything that is made of them."""

from __future__ import annotations

import io
import os
import shutil
from datetime import timedelta
from pathlib import Path
from typing import Any

import polars as pl
from built import build
from command_line import run_command
from hostile_bytes import DAY, Sent, csv_bytes
from hostile_registers import GOOD
from watchers import no_formula, nothing_run_or_written_outside, page_text, tree

ALARMED = 3  # published, with an alarm beside
AS_OF = DAY + timedelta(days=1)
EVERYONE_LISTED = """
[verdict]
suspect = 0.0001
sound = 0.0001
[ranking]
least_likelihood = 0.0
least_nights = 0
needless_visit_cost = 0.0
needless_office_cost = 0.0
labour_rate_h = 0.0
office_rate_h = 0.0
"""


def command(*words: str | Path) -> tuple[int, str, str]:
    """Run `nightclamp` here; return exit status, what it said and what it complained of."""
    status, out, err = run_command(*words)
    if status in (1, 2):  # what stopped it, or the problems that `check` lists
        assert err.count("\n") == (0 if status == 2 and out else 1), err
    return status, out, err


def drive_check(case: tuple[dict[str, Sent], list[Sent], str], folder: Path) -> bool:
    """`check` on a whole hostile lake: lines or one line."""
    root = build(folder, *case)
    _, told, _ = command("check", root, "--all-days")
    return bool(told)


def drive_night(case: tuple[list[str], dict[str, str], list[Sent]], folder: Path) -> bool:
    """A night over homes with hostile names, then everything that is made of it."""
    ids, words, files = case
    homes = list(dict.fromkeys(stripped for i in ids if (stripped := i.strip()))) or ["a"]
    root = build(folder, _register_of(homes, words), [], "")
    shutil.rmtree(folder / "out", ignore_errors=True)
    out, own = folder / "out", folder / "own.toml"
    own.write_text(EVERYONE_LISTED, encoding="utf-8")
    for day in (DAY, AS_OF):
        _write_day(root, homes, day)
    for number, file in enumerate(files):
        (root / "intervals" / f"date={DAY}" / f"hostile{number}{file.suffix}").write_bytes(file.content)
    before = tree(folder, out)
    with nothing_run_or_written_outside(folder):
        status, _, complaint = command("nightly", root, "--out", out, "--settings", own)
        if status in (1, 2):
            assert not (out / "latest").exists()
            assert "not one usable home" in complaint, complaint
            return False
        for home in homes[:2]:
            if not home.startswith("-"):
                command("explain", home, "--out", out, "--settings", own)
        command("orders", "--out", out, "--settings", own)
        command("dispatch", root, "--out", out, "--settings", own)
        command("check", root)
    assert tree(folder, out) == before
    listed = pl.read_parquet(out / "latest" / "revisit_list.parquet")["site_id"].to_list()
    told = "".join(page_text(path) for path in out.rglob("*.html"))
    assert all(home in told or "\r" in home or "\0" in home for home in listed)
    for path in out.rglob("*.csv"):
        no_formula(path)
    counts = pl.read_json(io.StringIO((out / "latest" / "run.json").read_text()))["counts"][0]
    assert counts["rows_in"] == counts["rows_used"] + counts["rows_duplicate"] + counts["rows_rejected"]
    return bool(listed)


def drive_tuned(case: str, folder: Path) -> bool:
    """A night under settings that are allowed but odd: it publishes, or stops with one line."""
    root, out, own = folder / "lake", folder / "out", folder / "own.toml"
    if not root.exists():
        build(folder, {}, [])
        for day in (DAY, AS_OF):
            _write_day(root, ["a", "b"], day)
    shutil.rmtree(out / "store", ignore_errors=True)
    own.write_text(case, encoding="utf-8")
    before = os.readlink(out / "latest") if (out / "latest").exists() else None
    with nothing_run_or_written_outside(folder):
        status, _, _ = command("nightly", root, "--out", out, "--settings", own)
    assert status in (0, ALARMED) or before == (
        os.readlink(out / "latest") if (out / "latest").exists() else None
    )
    return status in (0, ALARMED)


def _register_of(homes: list[str], words: dict[str, str]) -> dict[str, Sent]:
    sites = [
        {**GOOD["sites"][0], "site_id": home, **{k: v for k, v in words.items() if k in ("area", "crew_id")}}
        for home in homes
    ]
    crew, note = words.get("crew_id", "c1"), words.get("note", "")
    crews = [{"crew_id": crew, "crew_name": words.get("crew_name", "")}]
    visit = {
        **GOOD["visits"][0],
        "visit_id": words.get("visit_id", "v1"),
        "site_id": homes[0],
        "crew_id": crew,
        "note": note,
    }
    return {
        name: Sent(".csv", csv_bytes(rows, list(rows[0])))
        for name, rows in (("sites", sites), ("crews", crews), ("visits", [visit]))
    }


def _write_day(root: Path, homes: list[str], day: Any) -> None:
    start = pl.datetime_range(pl.lit(day), pl.lit(day + timedelta(days=1)), "1h", closed="left", eager=True)
    sun = [max(0.0, 3000.0 - 500.0 * abs(hour - 19)) for hour in range(24)]
    frames = [
        pl.DataFrame(
            {"site_id": [home] * 24, "interval_start": start.cast(pl.Datetime("us")), "l1_w": [-250.0 - w for w in sun],
             "l2_w": [0.0 if number % 2 else 300.0 - w / 2 for w in sun], "pv_w": sun}
        )
        for number, home in enumerate(homes)
    ]  # fmt: skip
    folder = root / "intervals" / f"date={day}"
    folder.mkdir(parents=True, exist_ok=True)
    pl.concat(frames).write_parquet(folder / "good.parquet")
    os.utime(folder / "good.parquet", (1, 1))
