"""The user's own homes as lessons: those that look sound, with every fault of the catalogue in their own readings.

A home is dealt to fitting, tempering or being held out by a hash of its site_id, so all its copies go together and
it stays there from run to run. What is written is a lake in contract format with its truth beside, to go through the
very same SQL as any lake.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.core.contract import FAULTS, SOUND
from pipeline.core.errors import InputError
from pipeline.core.setting_sections import OwnFleetSettings
from pipeline.core.settings import Settings
from pipeline.faults.types import Fault
from pipeline.ingest.intervals import load_shards
from pipeline.ingest.lake import Lake
from pipeline.ingest.registers import Registers
from pipeline.learning.fault_injection import RealHome, inject, restore

FIT, TEMPER, HELD_OUT = "fit", "temper", "held_out"
PARTS = (FIT, TEMPER, HELD_OUT)
BATCH_ROWS = 1_500_000  # interval rows of copies that are held in memory at once
BOTH_LEGS = 0.25  # how often a fault is on both legs, against on one of them
ONSET = (0.25, 0.9)  # where in the window a fault that starts within it does

Lesson = tuple[pl.DataFrame, Mapping[str, Any], dict[str, Any]]

TRUTH: dict[str, Any] = {
    "site_id": pl.String, "fault": pl.String, "leg": pl.String, "severity": pl.String,
    "hard_negative": pl.String, "sees_pv_true": pl.Boolean, "weight": pl.Float64,
}  # fmt: skip


def part_of(site_id: str, own: OwnFleetSettings) -> str:
    """Return what a home serves for: fit, temper or held_out."""
    at = _place(site_id)
    if at < own.held_out_share:
        return HELD_OUT
    return TEMPER if at < own.held_out_share + own.temper_share else FIT


def sound_looking(scores: pl.DataFrame, visits: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Return the homes that may stand for sound ones.

    Columns: `site_id`; `from_on`, the first day that speaks; `weight`, how far it counts as sound [0, 1]; `is_clean`,
    whether its readings are right enough to inject faults into.

    Parameters
    ----------
    scores
        site_scores of the newest window by the shipped model at this fleet's base rate, with `from_on`.
    visits
        The visits register.

    Notes
    -----
    Every home below [verdict] suspect counts as sound by one less its likelihood: were only the plainly sound ones
    taken, nothing would be learned of sound homes that look odd, and odd would come to mean faulty. Clean is a home
    below [own_fleet] looks_sound, or one that its last visit found sound or put right. Left out are homes whose last
    visit left a fault, whose clock or neutral is suspect, or with fewer than [verdict] min_nights nights.

    Raises
    ------
    InputError
        There are fewer than [own_fleet] min_homes clean ones.
    """
    own = settings.own_fleet
    last = (
        visits.filter(pl.col("found").is_in([*FAULTS, SOUND]))
        .sort("visited_on", "visit_id")
        .group_by("site_id", maintain_order=True)
        .last()
        .select(
            "site_id",
            ((pl.col("found") == SOUND) | pl.col("fixed").fill_null(False)).alias("is_confirmed"),
        )
    )
    is_confirmed = pl.col("is_confirmed").fill_null(False)
    found = (
        scores.join(last, on="site_id", how="left")
        .filter(
            ~pl.col("is_clock_suspect")
            & ~pl.col("is_neutral_suspect")
            & (pl.col("nights") >= settings.verdict.min_nights)
            & (pl.col("likelihood") < settings.verdict.suspect)
            & pl.col("is_confirmed").fill_null(True)
        )
        .select(
            "site_id",
            "from_on",
            pl.when(is_confirmed).then(1.0).otherwise(1 - pl.col("likelihood")).alias("weight"),
            ((pl.col("likelihood") < own.looks_sound) | is_confirmed).alias("is_clean"),
        )
        .sort("site_id")
    )
    clean = int(found["is_clean"].sum())
    if clean < own.min_homes:
        raise InputError(
            f"{clean} homes of {scores.height} look sound, {own.min_homes} are needed to learn from this fleet;"
            " use the shipped model, or lower [own_fleet] min_homes"
        )
    return found


def taken(homes: pl.DataFrame, own: OwnFleetSettings) -> pl.DataFrame:
    """Return at most [own_fleet] most_homes of `homes`, chosen by the hash of their id."""
    # Another hash than that of the parts, or all that are taken would serve for one thing.
    kept = sorted(homes["site_id"].to_list(), key=lambda home: _place(f"taken {home}"))[: own.most_homes]
    return homes.filter(pl.col("site_id").is_in(kept))


def gather(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    days: Sequence[date],
    registers: Registers,
    homes: pl.DataFrame,
    folder: Path,
    settings: Settings,
    workdir: Path,
) -> None:
    """Write the used interval rows of `homes` (column site_id), one Parquet file a day, sorted, into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    con.register("wanted", homes.select("site_id").to_arrow())
    for day in days:
        parts = []
        for _ in load_shards(con, lake, day, registers=registers, settings=settings, workdir=workdir):
            rows = con.table("interval_used").join(con.table("wanted"), "site_id")
            parts.append(rows.pl().drop("key_us").sort("site_id", "interval_start"))
        pl.concat(parts).write_parquet(folder / f"{day}.parquet")
    con.unregister("wanted")


def write_lessons(
    gathered: Path,
    homes: pl.DataFrame,
    sites: pl.DataFrame,
    out: Path,
    catalogue: Mapping[str, Fault],
    own: OwnFleetSettings,
    seed: int,
) -> int:
    """Write a lake with each home as it is and, if clean, with [own_fleet] copies faults; return how many were clean.

    Parameters
    ----------
    gathered
        Folder that `gather` has filled.
    homes
        As `sound_looking` returns them; rows before `from_on` are left out.
    sites
        The register.
    """
    files = [str(path) for path in sorted(gathered.glob("*.parquet"))]
    since = homes.lazy().select("site_id", "from_on")
    rows = (
        pl.scan_parquet(files, glob=False)
        .join(since, on="site_id")
        .filter(pl.col("interval_start") >= pl.col("from_on"))
    )
    longest = max(rows.group_by("site_id").len().collect()["len"].to_list(), default=1)
    register = {row["site_id"]: row for row in sites.to_dicts()}
    told_of = {row["site_id"]: row for row in homes.to_dicts()}
    names = homes["site_id"].sort().to_list()
    batch = max(1, BATCH_ROWS // ((1 + own.copies) * longest))
    told_sites: list[dict[str, Any]] = []
    told_truths: list[dict[str, Any]] = []
    used = 0
    for at in range(0, len(names), batch):
        some = rows.drop("from_on").filter(pl.col("site_id").is_in(names[at : at + batch])).collect()
        frames = []
        for (site_id,), part in some.partition_by("site_id", as_dict=True).items():
            rng = np.random.default_rng([seed, int.from_bytes(_digest(str(site_id)))])
            part, site, told = part.sort("interval_start"), register[str(site_id)], told_of[str(site_id)]
            lessons: list[Lesson] = [(part, site, _truth(site, None, "", None, told["weight"]))]
            home = restore(part, site, rng, own) if told["is_clean"] else None
            if home is not None:
                used += 1
                lessons += lessons_of(home, catalogue, own, rng)
            for number, (copy, own_site, truth) in enumerate(lessons):
                name = f"{site_id}~{number}"
                frames.append(copy.with_columns(pl.lit(name).alias("site_id")))
                told_sites.append({**own_site, "site_id": name})
                told_truths.append({**truth, "site_id": name})
        _put(frames, out, at // batch)
    pl.DataFrame(told_sites, schema=sites.schema).write_parquet(out / "sites.parquet")
    pl.DataFrame(told_truths, schema=TRUTH).write_csv(out / "truth.csv")
    pl.DataFrame(schema={"crew_id": pl.String, "crew_name": pl.String}).write_csv(out / "crews.csv")
    return used


def lessons_of(
    home: RealHome, catalogue: Mapping[str, Fault], own: OwnFleetSettings, rng: np.random.Generator
) -> list[Lesson]:
    """Return (interval rows, register row, truth) of the home's copies, each with another fault that fits it."""
    fits = [name for name, fault in catalogue.items() if fault.fits(home.wiring, home.circuit)]
    lessons: list[Lesson] = []
    for name in rng.permutation(fits)[: own.copies].tolist():
        fault = catalogue[name]
        legs = fault.legs_on(home.wiring.service)
        weight = np.array([BOTH_LEGS if leg == "both" and len(legs) > 1 else 1.0 for leg in legs])
        leg = str(rng.choice(legs, p=weight / weight.sum()))
        onset = float(rng.uniform(*ONSET)) if rng.random() < own.onset_share else None
        done = inject(home, fault, leg, rng, onset)
        lessons.append((done.rows, done.site, _truth(home.site, name, leg, done.severity, 1.0)))
    return lessons


def _truth(
    site: Mapping[str, Any], fault: str | None, leg: str, severity: str | None, weight: float
) -> dict[str, Any]:
    return {
        "fault": fault or SOUND, "leg": leg or None, "severity": severity, "hard_negative": None,
        "sees_pv_true": site["ct_sees_pv"], "weight": weight,
    }  # fmt: skip


def _put(frames: list[pl.DataFrame], out: Path, shard: int) -> None:
    if not frames:
        return
    rows = pl.concat(frames).with_columns(pl.col("interval_start").dt.date().alias("date"))
    for (day,), part in rows.partition_by("date", as_dict=True, include_key=False).items():
        folder = out / "intervals" / f"date={day}"
        folder.mkdir(parents=True, exist_ok=True)
        part.sort("site_id", "interval_start").write_parquet(folder / f"part-{shard:04d}.parquet")


def _digest(site_id: str) -> bytes:
    return hashlib.blake2b(site_id.encode(), digest_size=8).digest()


def _place(text: str) -> float:
    """Return where the text's hash lies between 0 and 1."""
    return int.from_bytes(_digest(text)) / 2**64
