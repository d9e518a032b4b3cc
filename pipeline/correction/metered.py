"""The utility's own files beside the readings of homes that are corrected, by the readings' clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.core.contract import BY_FILE
from pipeline.correction.digests import digest_of
from pipeline.correction.stages import PublishedNight
from pipeline.ingest.utility import read_utility

ENERGIES = ("import_wh", "export_wh")
_SCHEMA: dict[str, pl.DataType] = {
    "site_id": pl.String(), "interval_start": pl.Datetime("us"), "minutes": pl.Float64(),
    **dict.fromkeys(ENERGIES, pl.Float64()),
}  # fmt: skip


@dataclass(frozen=True)
class FileMeters:
    """`rows`: site_id, interval_start (naive UTC, by the readings' clock), minutes, import_wh, export_wh [Wh]."""

    rows: pl.DataFrame

    def beside(self, readings: pl.DataFrame) -> pl.DataFrame:
        """Return contract rows with the files' energy where they have none of their own and the intervals agree.

        A meter of longer intervals says nothing of a single reading.
        """
        if self.rows.is_empty():
            return readings
        day = pl.col("interval_start").dt.date()
        gap = pl.col("interval_start").diff().over("site_id", day).dt.total_seconds() / 60
        least = gap.min().over("site_id", day).fill_null(15.0).clip(upper_bound=60.0)
        keys = ["site_id", "interval_start", "minutes"]
        found = readings.with_columns(minutes=least.cast(pl.Float64)).join(
            self.rows, on=keys, how="left", suffix="_file", maintain_order="left"
        )
        own = pl.any_horizontal(pl.col(name).is_not_null() for name in ENERGIES)
        return found.with_columns(
            pl.when(own).then(pl.col(name)).otherwise(pl.col(f"{name}_file")).alias(name) for name in ENERGIES
        ).select(readings.columns)

    def digests(self) -> dict[str, str]:
        """Return a digest of each home's rows."""
        parts = self.rows.partition_by("site_id", as_dict=True, maintain_order=True, include_key=False)
        return {str(site): digest_of([home.write_csv()]) for (site,), home in parts.items()}


def file_meters(night: PublishedNight, homes: Sequence[str]) -> FileMeters:
    """Return what the utility's files say of these homes, without meters that the night found to be no evidence.

    Parameters
    ----------
    night
        The published night; its table site_signal says how far each meter's clock is off.
    homes
        site_id.
    """
    if not homes or not night.lake.utility_files()[0]:
        return FileMeters(pl.DataFrame(schema=_SCHEMA))
    signals = pl.scan_parquet(night.folder / "site_signal.parquet", glob=False)
    clock = (
        signals.filter(pl.col("site_id").is_in(list(homes)), pl.col("meter_by") == BY_FILE)
        .select("site_id", offset=pl.col("meter_offset_min").fill_null(0).cast(pl.Int64))
        .collect()
    )
    kept = night.store.root / "utility"
    intake = read_utility(
        night.lake, night.registers, night.settings, workdir=night.workdir / "utility", store=kept
    )
    rows = intake.rows(clock["site_id"].to_list()).join(clock, on="site_id")
    shifted = pl.col("interval_start") - pl.duration(minutes=pl.col("offset"))
    # What isn't metered is none: a meter of import alone says nothing by day.
    whole = rows.filter(pl.all_horizontal(pl.col(name).is_not_null() for name in ENERGIES))
    table = whole.select("site_id", "minutes", *ENERGIES, interval_start=shifted).select(list(_SCHEMA))
    return FileMeters(table.cast(_SCHEMA).sort("site_id", "interval_start"))  # type: ignore[arg-type]
