"""The user's own homes as training examples: those that look sound, with every fault injected into their readings.

A home is used for fitting, tempering or held out by a hash of its site_id, so all its copies go together and it stays
there from run to run. What is written is a lake in contract format with its truth beside, to go through the very same
SQL as any lake.
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
from pipeline.faults.catalogue import CATALOGUE
from pipeline.ingest.intervals import load_shards
from pipeline.ingest.lake import Lake
from pipeline.ingest.registers import Registers
from pipeline.learning.fault_injection import RealHome, inject, restore

FIT, TEMPER, HELD_OUT = PARTS = ("fit", "temper", "held_out")
BATCH_ROWS = 1_500_000  # interval rows of copies that are in memory at once
BOTH_LEGS = 0.25  # how often a fault is on both legs, against on one of them
ONSET = (0.25, 0.9)  # where in the window a fault that starts within it does

Example = tuple[pl.DataFrame, Mapping[str, Any], dict[str, Any]]

TRUTH = pl.Schema({
    "site_id": pl.String, "fault": pl.String, "leg": pl.String, "severity": pl.String,
    "hard_negative": pl.String, "sees_pv_true": pl.Boolean, "weight": pl.Float64,
})  # fmt: skip


def part_of(site_id: str, settings: OwnFleetSettings) -> str:
    """Return what a home serves for: fit, temper or held_out."""
    share = _hash_share(site_id)
    if share < settings.held_out_share:
        return HELD_OUT
    return TEMPER if share < settings.held_out_share + settings.temper_share else FIT


def find_sound_homes(scores: pl.DataFrame, visits: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Return the homes that may stand for sound ones.

    Columns: `site_id`; `from_on`, the first day that speaks; `weight`, how far it counts as sound [0, 1]; `is_clean`,
    whether its readings are right enough to inject faults into.

    Parameters
    ----------
    scores
        site_scores of the newest window by the shipped model at this fleet's base rate, with `from_on`.
    visits
        The visits register.
    settings
        [own_fleet] and [verdict].

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
    own_fleet = settings.own_fleet
    last = (
        visits.filter(pl.col("found").is_in([*FAULTS, SOUND]))
        .sort("visited_on", "visit_id")
        .group_by("site_id", maintain_order=True)
        .last()
        .select("site_id", is_confirmed=(pl.col("found") == SOUND) | pl.col("fixed").fill_null(False))
    )
    is_confirmed = pl.col("is_confirmed").fill_null(False)
    homes = (
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
            weight=pl.when(is_confirmed).then(1.0).otherwise(1 - pl.col("likelihood")),
            is_clean=(pl.col("likelihood") < own_fleet.looks_sound) | is_confirmed,
        )
        .sort("site_id")
    )
    clean = int(homes["is_clean"].sum())
    if clean < own_fleet.min_homes:
        raise InputError(
            f"{clean} homes of {scores.height} look sound, {own_fleet.min_homes} are needed to learn from this fleet;"
            " use the shipped model, or lower [own_fleet] min_homes"
        )
    return homes


def sample_homes(homes: pl.DataFrame, settings: OwnFleetSettings) -> pl.DataFrame:
    """Return at most [own_fleet] most_homes of `homes`, chosen by the hash of their id."""
    # Another hash than that of the parts, or all that are taken would serve for one thing.
    names = sorted(homes["site_id"].to_list(), key=lambda home: _hash_share(f"taken {home}"))
    return homes.filter(pl.col("site_id").is_in(names[: settings.most_homes]))


def gather_intervals(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    days: Sequence[date],
    *,
    registers: Registers,
    homes: pl.DataFrame,
    folder: Path,
    settings: Settings,
    scratch: Path,
) -> None:
    """Write the used interval rows of some homes, one sorted Parquet file a day.

    Parameters
    ----------
    con, scratch
        A connection with the pipeline's macros, and a scratch folder.
    lake, days, registers, homes
        Whose rows, of which days; `homes` has column site_id.
    folder, settings
        Where the files go; settings of the night.
    """
    folder.mkdir(parents=True, exist_ok=True)
    con.register("wanted", homes.select("site_id").to_arrow())
    for day in days:
        parts = []
        for _ in load_shards(con, lake, day, registers=registers, settings=settings, workdir=scratch):
            rows = con.table("interval_used").join(con.table("wanted"), "site_id")
            parts.append(rows.pl().drop("key_us").sort("site_id", "interval_start"))
        pl.concat(parts).write_parquet(folder / f"{day}.parquet")
    con.unregister("wanted")


def write_training_lake(
    gathered: Path,
    homes: pl.DataFrame,
    sites: pl.DataFrame,
    *,
    out: Path,
    settings: OwnFleetSettings,
    seed: int,
) -> int:
    """Write a lake with each home as it is and, if clean, with injected faults; return how many were clean.

    Parameters
    ----------
    gathered, homes
        Folder filled by `gather_intervals`, and homes of `find_sound_homes`; rows before `from_on` are left out.
    sites, out
        The register, and the folder of the lake.
    settings, seed
        [own_fleet], for the number of copies; the same seed and homes give the same lake.
    """
    files = [str(path) for path in sorted(gathered.glob("*.parquet"))]
    rows = (
        pl.scan_parquet(files, glob=False)
        .join(homes.lazy().select("site_id", "from_on"), on="site_id")
        .filter(pl.col("interval_start") >= pl.col("from_on"))
        .drop("from_on")
    )
    longest = max(rows.group_by("site_id").len().collect()["len"].to_list(), default=1)
    register = {row["site_id"]: row for row in sites.to_dicts()}
    home_rows = {row["site_id"]: row for row in homes.to_dicts()}
    names = homes["site_id"].sort().to_list()
    batch = max(1, BATCH_ROWS // ((1 + settings.copies) * longest))
    out_sites: list[dict[str, Any]] = []
    out_truths: list[dict[str, Any]] = []
    clean = 0
    for start in range(0, len(names), batch):
        frames = []
        batch_rows = rows.filter(pl.col("site_id").is_in(names[start : start + batch])).collect()
        for (site_id,), part in batch_rows.partition_by("site_id", as_dict=True).items():
            rng = np.random.default_rng([seed, int.from_bytes(_digest(str(site_id)))])
            part, site, home_row = (
                part.sort("interval_start"),
                register[str(site_id)],
                home_rows[str(site_id)],
            )
            examples: list[Example] = [(part, site, _truth(site, weight=home_row["weight"]))]
            home = restore(part, site, rng, settings=settings) if home_row["is_clean"] else None
            if home is not None:
                clean += 1
                examples += _faulty_copies(home, settings, rng)
            for number, (copy, copy_site, truth) in enumerate(examples):
                name = f"{site_id}~{number}"
                frames.append(copy.with_columns(pl.lit(name).alias("site_id")))
                out_sites.append({**copy_site, "site_id": name})
                out_truths.append({**truth, "site_id": name})
        if frames:
            _write_intervals(pl.concat(frames), out / "intervals", f"part-{start // batch:04d}.parquet")
    pl.DataFrame(out_sites, schema=sites.schema).write_parquet(out / "sites.parquet")
    pl.DataFrame(out_truths, schema=TRUTH).write_csv(out / "truth.csv")
    pl.DataFrame(schema={"crew_id": pl.String, "crew_name": pl.String}).write_csv(out / "crews.csv")
    return clean


def _faulty_copies(home: RealHome, settings: OwnFleetSettings, rng: np.random.Generator) -> list[Example]:
    """Return (interval rows, register row, truth) of the home's copies, each with another fault that fits it."""
    fitting = [name for name, fault in CATALOGUE.items() if fault.fits(home.wiring, home.circuit)]
    examples: list[Example] = []
    for name in rng.permutation(fitting)[: settings.copies].tolist():
        fault = CATALOGUE[name]
        legs = fault.legs_on(home.wiring.service)
        weight = np.array([BOTH_LEGS if leg == "both" and len(legs) > 1 else 1.0 for leg in legs])
        leg = str(rng.choice(legs, p=weight / weight.sum()))
        onset = float(rng.uniform(*ONSET)) if rng.random() < settings.onset_share else None
        copy = inject(home, fault, leg, rng=rng, onset_share=onset)
        examples.append(
            (copy.rows, copy.site, _truth(home.site, fault=name, leg=leg, severity=copy.severity))
        )
    return examples


def _truth(site: Mapping[str, Any], **known: Any) -> dict[str, Any]:
    sound = {"fault": SOUND, "leg": None, "severity": None, "hard_negative": None, "weight": 1.0}
    return {**sound, "sees_pv_true": site["ct_sees_pv"], **known}


def _write_intervals(rows: pl.DataFrame, folder: Path, name: str) -> None:
    dated = rows.with_columns(date=pl.col("interval_start").dt.date())
    for (day,), part in dated.partition_by("date", as_dict=True, include_key=False).items():
        (folder / f"date={day}").mkdir(parents=True, exist_ok=True)
        part.sort("site_id", "interval_start").write_parquet(folder / f"date={day}" / name)


def _digest(site_id: str) -> bytes:
    return hashlib.blake2b(site_id.encode(), digest_size=8).digest()


def _hash_share(text: str) -> float:
    """Return the text's hash as a number from 0 to 1."""
    return int.from_bytes(_digest(text)) / 2**64
