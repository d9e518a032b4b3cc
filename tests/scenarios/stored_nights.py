"""Three days of a tiny lake and the nights that bring a store up to date with them."""

from __future__ import annotations

from contextlib import closing
from datetime import date, timedelta
from pathlib import Path

import polars as pl
from lakes import DAY, build_lake, put, rows

from pipeline.core import contract, sql_runner
from pipeline.core.settings import load_settings
from pipeline.features.day_store import Store
from pipeline.features.update_store import StoredDay, refresh_days
from pipeline.ingest.lake import Lake, open_lake
from pipeline.ingest.registers import read_registers
from pipeline.ingest.utility import FILE_FACTS, UtilityIntake
from pipeline.nightly.rejects import write_rejects

DAYS = [DAY + timedelta(days=at) for at in range(3)]
SETTINGS = load_settings()


def three_days(root: Path) -> Path:
    """Three days of homes a and b; b has no rows on the second."""
    build_lake(root)
    for day in DAYS:
        put(root, "a.parquet", rows("a", day), day)
        if day != DAYS[1]:
            put(root, "b.parquet", rows("b", day), day)
    return root


def night(lake_root: Path, store: Store, as_of: date = DAYS[-1]) -> list[StoredDay]:
    """Refresh all days as a night would."""
    lake = open_lake(lake_root)
    workdir = store.root.parent / "work"
    workdir.mkdir(exist_ok=True)
    con = sql_runner.connect(workdir, SETTINGS.engine)
    done = refresh_days(
        con,
        lake,
        lake.days(),
        registers=read_registers(lake, as_of),
        store=store,
        settings=SETTINGS,
        workdir=workdir,
    )
    con.close()
    return done


NO_METERS = UtilityIntake(0, 0, 0, 0, (), (), pl.DataFrame(schema=FILE_FACTS))


def rejects_of_days(
    done: list[StoredDay], lake: Lake, store: Store, registers: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Return the rejects of these days, after those of the registers, as a night publishes them."""
    path = store.root / "rejects.parquet"
    told = contract.rejects() if registers is None else registers
    with closing(sql_runner.connect(store.root, SETTINGS.engine)) as con:
        write_rejects(con, path, told, stored=done, lake=lake, store=store, meters=NO_METERS)
    rejects = pl.read_parquet(path)
    path.unlink()
    return rejects


def fresh(done: list[StoredDay]) -> list[date]:
    """Return the days that were read."""
    return [day.day for day in done if day.is_fresh]


def content(store: Store) -> dict[str, bytes]:
    """Return each file of the store."""
    return {
        str(path.relative_to(store.root)): path.read_bytes()
        for path in store.root.rglob("*")
        if path.is_file()
    }
