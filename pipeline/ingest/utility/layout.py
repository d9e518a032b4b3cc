"""The tables of a utility's own readings: what a file says, what a home's meter counted, and what each file held."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.core.errors import NightFailed

# One row a home and interval, sorted by site_id and interval_start (UTC), no two of which overlap; `minutes` is one of
# the contract's lengths and starts lie on whole intervals. `import_wh` was taken from the grid, `export_wh` given to
# it, each null where it is not metered; a meter that only knows the net has one of the two at 0. `step_wh` is the
# smallest step in which the file counts.
UTILITY = pl.Schema(
    {
        "site_id": pl.String(), "interval_start": pl.Datetime("us"), "minutes": pl.Int64(),
        "import_wh": pl.Float64(), "export_wh": pl.Float64(), "step_wh": pl.Float64(),
    }
)  # fmt: skip
# One row a row of a source file, as read: `usage_point` is what the file calls the meter and `usage_point_id` its Atom
# id, if it has one. `net_wh` is positive when the home takes. `step_wh` is the step that the file claims, `version`
# (UTC) when it was published, both null where it doesn't say. `reason` is why the row can't be used, else null; `row`
# is then the row as JSON. A file that can't be read is one row without `source_row`.
PARSED = pl.Schema(
    {
        "usage_point": pl.String(), "usage_point_id": pl.String(), "interval_start": pl.Datetime("us"),
        "minutes": pl.Int64(), "import_wh": pl.Float64(), "export_wh": pl.Float64(), "net_wh": pl.Float64(),
        "step_wh": pl.Float64(), "version": pl.Datetime("us"), "source_row": pl.Int64(), "reason": pl.String(),
        "row": pl.String(),
    }
)  # fmt: skip
# One row a file and usage point; rows = used + duplicate + rejected. `site_id` is null where no home is known for it;
# `first_start`, `last_start` (UTC), `minutes` (the commonest length) and `step_wh` are of all rows but the rejected.
FILE_FACTS = pl.Schema(
    {
        "source_file": pl.String(), "usage_point": pl.String(), "site_id": pl.String(), "rows": pl.Int64(),
        "used": pl.Int64(), "duplicate": pl.Int64(), "rejected": pl.Int64(), "first_start": pl.Datetime("us"),
        "last_start": pl.Datetime("us"), "minutes": pl.Int64(), "step_wh": pl.Float64(),
    }
)  # fmt: skip


@dataclass(frozen=True)
class UtilityIntake:
    """What LAKE/utility/ held; rows_in = used + duplicate + rejected, counted in rows or readings of the files.

    `tables` are Parquet files of the schema UTILITY, each of a range of homes, in order. `reject_files` (the contract's
    Reject) have a row for each rejected row and, with null source_row, one for each file that could not be read: its
    rows can't be counted. `files` has the schema FILE_FACTS. `not_read` names what else lies in the folder, and why it
    is not read.
    """

    rows_in: int
    used: int
    duplicate: int
    rejected: int
    tables: tuple[Path, ...]
    reject_files: tuple[Path, ...]
    files: pl.DataFrame
    not_read: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        """Refuse counts that don't add up."""
        if self.rows_in != self.used + self.duplicate + self.rejected:
            counts = (
                f"{self.rows_in} in, {self.used} used, {self.duplicate} duplicate, {self.rejected} rejected"
            )
            raise NightFailed(f"utility: the rows don't add up ({counts}); run the night again")

    def rows(self, site_ids: Iterable[str]) -> pl.DataFrame:
        """Return the rows of these homes, with the schema UTILITY, sorted by home and start."""
        if not self.tables:
            return pl.DataFrame(schema=UTILITY)
        homes = pl.Series(list(site_ids), dtype=pl.String).implode()
        scanned = pl.scan_parquet(list(self.tables), schema=UTILITY, glob=False, hive_partitioning=False)
        return scanned.filter(pl.col("site_id").is_in(homes)).collect().sort("site_id", "interval_start")
