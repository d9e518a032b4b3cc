"""The night's published tables, as far as work orders need them, and one home's part of them."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.errors import InputError
from pipeline.ingest.normalize import nearest

# Of the register a sheet may carry these columns and no others.
REGISTER = (
    "area", "latitude", "longitude", "service", "service_amps", "pv_kw", "ct_sees_pv", "pv_added_back",
    "ct_location", "ct_amps", "cts_per_leg", "lead_extended", "has_battery", "commissioned_on",
)  # fmt: skip
# Needed, but not printed: the pictures' hours are local.
_UNPRINTED = ("timezone",)
_ONE_ROW = ("site_scores", "site_signal", "standing", "sites")
_MANY_ROWS = ("site_daily", "site_hour")


@dataclass(frozen=True)
class Home:
    """One listed home on a night: its rows of the tables as dicts (empty where it has none), its days and hours."""

    as_of: date
    listed: dict[str, Any]
    score: dict[str, Any]
    signal: dict[str, Any]
    standing: dict[str, Any]
    register: dict[str, Any]
    days: pl.DataFrame
    hours: pl.DataFrame

    @property
    def site_id(self) -> str:
        """The home's id."""
        return str(self.listed["site_id"])


@dataclass(frozen=True)
class NightTables:
    """Tables of one night by the names under which it publishes them, and its day.

    `revisit_list`, `site_scores`, `site_signal`, `standing`, `sites` (the register), `site_daily` and `site_hour` (of
    listed homes).
    """

    as_of: date
    frames: dict[str, pl.DataFrame]

    def homes(self, chosen: Sequence[str], *, with_series: bool = True) -> Iterator[Home]:
        """Yield these listed homes in the order of the list; without series their days and hours stay empty."""
        frames = {
            name: self.frames[name].filter(pl.col("site_id").is_in(sorted(chosen)))
            for name in ("revisit_list", *_ONE_ROW, *_MANY_ROWS)
        }
        rows = {
            name: {row["site_id"]: row for row in frames[name].iter_rows(named=True)} for name in _ONE_ROW
        }
        parts = {
            name: frames[name].partition_by("site_id", as_dict=True) if with_series else {}
            for name in _MANY_ROWS
        }
        for listed in frames["revisit_list"].sort("rank").iter_rows(named=True):
            site = listed["site_id"]
            register = rows["sites"].get(site, {})
            yield Home(
                self.as_of,
                listed,
                rows["site_scores"][site],
                rows["site_signal"].get(site, {}),
                rows["standing"].get(site, {}),
                {name: register.get(name) for name in (*REGISTER, *_UNPRINTED)},
                *(parts[name].get((site,), self.frames[name].clear()) for name in _MANY_ROWS),
            )


def read_night(out: Path) -> NightTables:
    """Return the tables of OUT/latest that orders need; raises as `read_latest`."""
    return NightTables(*read_latest(out, ("revisit_list", *_ONE_ROW, *_MANY_ROWS)))


def read_latest(out: Path, names: Sequence[str]) -> tuple[date, dict[str, pl.DataFrame]]:
    """Return the day of OUT/latest and these of its tables.

    Raises
    ------
    InputError
        Nothing is published there, or by a version that published less.
    """
    latest = out / "latest"
    if not (latest / "run.json").is_file():
        raise InputError(f"{out}: no published run; run `nightclamp nightly LAKE --out {out}` first")
    frames = {}
    for name in names:
        file = latest / f"{name}.parquet"
        if not file.is_file():
            raise InputError(f"{file}: missing; run `nightclamp nightly LAKE --out {out}` again")
        frames[name] = pl.read_parquet(file, glob=False)
    run = json.loads((latest / "run.json").read_text(encoding="utf-8"))
    return date.fromisoformat(run["as_of"]), frames


def chosen_homes(night: NightTables, sites: Sequence[str], most: int) -> list[str]:
    """Return the homes to write orders for: `sites`, or the first `most` of the list.

    Raises
    ------
    InputError
        A named home is not on the list.
    """
    listed = night.frames["revisit_list"].sort("rank")["site_id"].to_list()
    for site in sites:
        if site not in listed:
            known = night.frames["site_scores"]["site_id"].to_list()
            why = "not on tonight's list" if site in known else f"not a home of the run{nearest(site, known)}"
            raise InputError(f"{site}: {why}; orders are written for listed homes only")
    return list(sites) or listed[:most]
