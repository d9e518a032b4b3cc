"""The packed records read back: every home once, found by the index, the same bytes again, small at many homes."""

from __future__ import annotations

import base64
import json
import re
import zlib
from bisect import bisect_right
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.report import ReportInput
from pipeline.report.home_groups import group_counts
from pipeline.report.home_records import home_records
from pipeline.report.home_scripts import HOMES_PER_SHARD, write_home_scripts
from pipeline.report.names import page_name


def unpack(script: Path) -> Any:
    name, text = re.fullmatch(
        r'nightclampHomes\("(\w+)","([A-Za-z0-9+/=]*)"\);\n', script.read_text()
    ).groups()
    assert name == script.stem
    return json.loads(zlib.decompress(base64.b64decode(text)))


def many(night: ReportInput, times: int) -> pl.DataFrame:
    records = home_records(night, {})
    tiled = [records.with_columns(pl.col("site_id", "key") + f"-{part:05d}") for part in range(times)]
    return pl.concat(tiled).sort("key", "site_id")


def test_what_is_packed_reads_back(folder: Path, night: ReportInput) -> None:
    homes = unpack(folder / "assets" / "homes" / "0.js")
    homes_listed, called = night.revisit_list["site_id"], night.safety_call.filter("is_open")["site_id"]
    pages = {site: f"home/{page_name(site)}" for site in homes_listed}
    records = home_records(night, pages | {site: f"safety/{page_name(site)}" for site in called})
    assert homes == records.drop("key").to_dicts()
    index = unpack(folder / "assets" / "homes" / "index.js")
    groups = [index["groups"][sign] for sign in index["group_of"]]
    assert {group: groups.count(group) for group in set(groups)} == {
        group: size for group, size in group_counts(night.site_scores).items() if size
    }


def test_the_index_leads_to_the_one_shard_that_has_a_home(tmp_path: Path, night: ReportInput) -> None:
    records = many(night, 200)
    write_home_scripts(tmp_path, records)
    index = unpack(tmp_path / "homes" / "index.js")
    shards = [unpack(tmp_path / "homes" / f"{shard}.js") for shard in range(len(index["first"]))]
    assert max(map(len, shards)) == HOMES_PER_SHARD == index["size"]
    assert [home["site_id"] for shard in shards for home in shard] == records["site_id"].to_list()
    for key, site in records.select("key", "site_id").gather_every(97).iter_rows():
        shard = bisect_right(index["first"], key) - 1
        assert site in [home["site_id"] for home in shards[shard]]
    assert len(index["group_of"]) == records.height == index["homes"]


def test_the_same_records_give_the_same_bytes(tmp_path: Path, night: ReportInput) -> None:
    for name in ("a", "b"):
        write_home_scripts(tmp_path / name, many(night, 70))
    for path in (tmp_path / "a").rglob("*.js"):
        assert (tmp_path / "b" / path.relative_to(tmp_path / "a")).read_bytes() == path.read_bytes()


def test_a_hundred_thousand_homes_would_stay_small(tmp_path: Path, night: ReportInput) -> None:
    """By what a home takes where its texts repeat less than tiled ones do: numbers are made to differ."""
    records = many(night, 250).with_columns(
        evidence=pl.format(
            "L1 {} W at night, L2 {} W", pl.int_range(pl.len()) * 37 % 991, pl.int_range(pl.len()) * 91 % 997
        )
    )
    write_home_scripts(tmp_path, records)
    size = sum(path.stat().st_size for path in tmp_path.rglob("*.js"))
    assert size / records.height * 100_000 < 30e6


def test_a_fleet_without_homes_has_an_index(tmp_path: Path, night: ReportInput) -> None:
    write_home_scripts(tmp_path, home_records(night, {}).clear())
    assert unpack(tmp_path / "homes" / "index.js")["first"] == []
