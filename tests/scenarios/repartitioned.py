"""A lake's rows put into partitions of local days, as an export that cuts its files at local midnight does."""

import os
import shutil
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import polars as pl


def by_local_day(lake: Path, target: Path, zone: str, toml: str, first: date | None = None) -> Path:
    """Write the lake's rows into `target`, a file a local day of `zone`; from day `first` on, as from another source.

    Every file arrives an hour after its local day is over.
    """
    shutil.copytree(lake, target, ignore=shutil.ignore_patterns("intervals"))
    (target / "lake.toml").write_text(toml, encoding="utf-8")
    files = sorted((lake / "intervals").glob("date=*/*.parquet"))
    rows = pl.concat([pl.read_parquet(file, hive_partitioning=False) for file in files], how="diagonal")
    utc = pl.col("interval_start").dt.replace_time_zone("UTC")
    dated = rows.with_columns(_day=utc.dt.convert_time_zone(zone).dt.date())
    for (day,), part in dated.partition_by("_day", as_dict=True, maintain_order=True).items():
        if first is not None and day < first:
            continue
        folder = target / "intervals" / f"date={day}"
        folder.mkdir(parents=True)
        path = folder / "rows.parquet"
        part.drop("_day").write_parquet(path)
        arrived = datetime.combine(day + timedelta(days=1), time(9), UTC).timestamp()
        os.utime(path, (arrived, arrived))
    return target
