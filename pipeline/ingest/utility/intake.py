"""Takes LAKE/utility/ in: every file parsed once, every row settled, some homes at a time; all of it on disk."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl

from pipeline.core import contract
from pipeline.core.atomic_files import write_parquet
from pipeline.core.settings import Settings
from pipeline.ingest.lake import Lake
from pipeline.ingest.registers import Registers, service_lines
from pipeline.ingest.row_config import ENERGIES
from pipeline.ingest.utility.home_points import homes_of_points
from pipeline.ingest.utility.kept_parts import FACTS, REJECTS, TABLE, KeptParts
from pipeline.ingest.utility.layout import FILE_FACTS, PARSED, UtilityIntake
from pipeline.ingest.utility.parsed_files import ParsedFile, parse_files
from pipeline.ingest.utility.settle import DUPLICATE, REJECTED, USED, settle

# Rows settled at once: some 1 GB at the most. A home's rows are never parted.
_ROWS_AT_ONCE = 1_000_000
_ROW_GROUP_ROWS = 50_000
_POINT = ["usage_point", "usage_point_id"]
_POINTS = pl.Schema(
    {
        "path": pl.String(), "usage_point": pl.String(), "usage_point_id": pl.String(), "rows": pl.Int64(),
        "last_start": pl.Datetime("us"), "arrival": pl.Int64(),
    }
)  # fmt: skip


def read_utility(
    lake: Lake,
    registers: Registers,
    settings: Settings,
    *,
    workdir: Path,
    store: Path | None = None,
    rows_at_once: int = _ROWS_AT_ONCE,
) -> UtilityIntake:
    """Return what the utility's own files hold; tables and rejects are in `store` and `workdir`.

    Parameters
    ----------
    lake
        The lake; without utility/ the intake is empty.
    registers
        The registers: homes, meters, and the as-of day.
    settings
        Section [lake] says what a home's service can carry.
    workdir
        Folder for what is of this night only.
    store
        Folder that keeps parsed files and settled homes between nights (OUT/store/utility); None: nothing is kept.
    rows_at_once
        Most rows settled at once.
    """
    workdir.mkdir(parents=True, exist_ok=True)
    sources, not_read = lake.utility_files()
    with tempfile.TemporaryDirectory(dir=workdir, prefix="read-") as folder:
        kept = store or workdir / "kept"
        parsed = parse_files(lake, sources, kept, workdir=Path(folder))
        intake = _Intake(workdir, kept / "settled", parsed, as_of=registers.as_of)
        points = _points(parsed)
        homes = homes_of_points(points.select(_POINT).unique(), registers.meters, registers.sites["site_id"])
        homed = points.join(homes, on=_POINT, how="left", nulls_equal=True)
        homed = homed.join(
            _service_limits(registers, settings), on="site_id", how="left", maintain_order="left"
        )
        for part in _parts(homed.filter(pl.col("site_id").is_not_null()), rows_at_once):
            intake.take_homes(part)
        intake.take_homeless(homed.filter(pl.col("site_id").is_null()))
    return intake.finished(not_read)


class _Intake:
    """Adds up what comes in, part by part."""

    def __init__(self, workdir: Path, kept: Path, parsed: list[ParsedFile], *, as_of: date) -> None:
        self._workdir, self._kept, self._as_of = workdir, KeptParts(kept), as_of
        self._tables: list[Path] = []
        self._rejects: list[Path] = []
        self._facts: list[pl.DataFrame] = []
        arrived = [
            datetime.fromtimestamp(one.file.mtime_ns / 1e9, UTC).replace(tzinfo=None) for one in parsed
        ]
        self._files = pl.DataFrame(
            {
                "arrival": [one.number for one in parsed],
                "path": [str(one.path) for one in parsed],
                "source_file": [one.file.name for one in parsed],
                "arrived_at": arrived,
            },
            schema={
                "arrival": pl.Int64, "path": pl.String, "source_file": pl.String, "arrived_at": pl.Datetime("us"),
            },
        )  # fmt: skip

    def take_homes(self, points: pl.DataFrame) -> None:
        """Settle all rows of some usage points, among them all of their homes."""
        folder = self._kept.folder(points, as_of=self._as_of)
        if not (folder / FACTS).is_file():
            rows = _rows(points).collect(engine="streaming")
            rows = rows.join(self._files.drop("path"), on="arrival", how="left", maintain_order="left")
            settled, table = settle(rows.sort("arrival", "source_row"), as_of=self._as_of)
            write_parquet(folder / TABLE, table, _ROW_GROUP_ROWS)
            refused = settled.filter(pl.col("fate") == REJECTED)
            if refused.height:
                write_parquet(folder / REJECTS, _as_rejects(refused))
            write_parquet(folder / FACTS, _facts(settled))
        self._tables.append(folder / TABLE)
        self._rejects += [path for path in [folder / REJECTS] if path.is_file()]
        self._facts.append(pl.read_parquet(folder / FACTS, glob=False, hive_partitioning=False))

    def take_homeless(self, points: pl.DataFrame) -> None:
        """Reject all rows of usage points without a home, and note files that can't be read."""
        for (arrival,), one_file in points.group_by("arrival", maintain_order=True):
            for rows in _rows(one_file).collect_batches(maintain_order=True):
                rows = rows.with_columns(
                    arrival=pl.lit(arrival, dtype=pl.Int64), reason=pl.coalesce("reason", "why"),
                    fate=pl.lit(REJECTED),
                )  # fmt: skip
                self._note(
                    rows.join(self._files.drop("path"), on="arrival", how="left", maintain_order="left")
                )

    def finished(self, not_read: list[tuple[str, str]]) -> UtilityIntake:
        """Return the whole, its counts checked."""
        self._kept.clear()
        none = pl.DataFrame(schema=FILE_FACTS)
        facts = pl.concat([none, *self._facts]) if self._facts else none
        # pieces of one file's homeless rows are one
        facts = facts.group_by("source_file", "usage_point", "site_id", maintain_order=True).agg(
            pl.col("rows", "used", "duplicate", "rejected").sum(), pl.col("first_start").min(),
            pl.col("last_start").max(), pl.col("minutes").first(), pl.col("step_wh").max(),
        ).sort("source_file", "usage_point", nulls_last=True)  # fmt: skip
        counts = facts.select(pl.col("rows", "used", "duplicate", "rejected").sum()).row(0, named=True)
        return UtilityIntake(
            rows_in=counts["rows"],
            used=counts["used"],
            duplicate=counts["duplicate"],
            rejected=counts["rejected"],
            tables=tuple(self._tables),
            reject_files=tuple(self._rejects),
            files=facts.select(FILE_FACTS.names()),
            not_read=tuple(not_read),
        )

    def _note(self, refused: pl.DataFrame) -> None:
        """Add rejected rows to the facts and the rejects."""
        path = self._workdir / f"utility-reject-{len(self._rejects):04d}.parquet"
        write_parquet(path, _as_rejects(refused))
        self._rejects.append(path)
        self._facts.append(_facts(refused.filter(pl.col("source_row").is_not_null())))


def _service_limits(registers: Registers, settings: Settings) -> pl.DataFrame:
    """Return site_id and most_w, what all lines of the home's service can carry [W]."""
    lines = pl.when("lines_summed").then(1).otherwise(service_lines())
    return registers.site_limits(settings.lake).select("site_id", most_w=pl.col("leg_max_w") * lines)


def _points(parsed: list[ParsedFile]) -> pl.DataFrame:
    """Return arrival, path, usage_point, usage_point_id, rows and last_start, of every file's usage points."""
    found = []
    for one in parsed:
        counted = (
            pl.scan_parquet(one.path, schema=PARSED, glob=False, hive_partitioning=False)
            .group_by(_POINT)
            .agg(rows=pl.len().cast(pl.Int64), last_start=pl.col("interval_start").max())
            .sort(_POINT)
            .collect()
        )
        where = {"path": pl.lit(str(one.path)), "arrival": pl.lit(one.number, pl.Int64)}
        found.append(counted.with_columns(**where).select("path", *_POINT, "rows", "last_start", "arrival"))
    return pl.concat(found) if found else pl.DataFrame(schema=_POINTS)


def _parts(points: pl.DataFrame, rows_at_once: int) -> Iterator[pl.DataFrame]:
    """Yield the usage points of some homes at a time, homes in order, with about so many rows in their files."""
    homes = points.group_by("site_id").agg(pl.col("rows").sum()).sort("site_id")
    part = homes.select("site_id", part=(pl.col("rows").cum_sum() - pl.col("rows")) // rows_at_once)
    parted = points.join(part, on="site_id").sort("part", "arrival", *_POINT)
    for _, those in parted.group_by("part", maintain_order=True):
        yield those.drop("part")


def _rows(points: pl.DataFrame) -> pl.LazyFrame:
    """Return the parsed rows of these usage points of these files, with what `points` says of each."""
    paths = points["path"].unique(maintain_order=True).to_list()
    names = points["usage_point"].unique()
    scanned = pl.scan_parquet(
        paths, schema=PARSED, glob=False, hive_partitioning=False, include_file_paths="path"
    )
    if names.null_count() == 0:
        scanned = scanned.filter(pl.col("usage_point").is_in(names.implode()))
    told = points.lazy().select("path", *_POINT, "arrival", "site_id", "kind", "why", "most_w")
    return scanned.join(told, on=["path", *_POINT], how="inner", nulls_equal=True).drop("path")


def _facts(rows: pl.DataFrame) -> pl.DataFrame:
    is_used, is_good = pl.col("fate") == USED, pl.col("fate") != REJECTED
    minutes, steps = pl.col("minutes").filter(is_good), pl.col("step_wh").filter(is_good)
    start = pl.col("interval_start").filter(is_good)
    return (
        rows.group_by("source_file", "usage_point", "site_id")
        .agg(
            rows=pl.len(),
            used=is_used.sum(),
            duplicate=(pl.col("fate") == DUPLICATE).sum(),
            rejected=(pl.col("fate") == REJECTED).sum(),
            first_start=start.min(),
            last_start=start.max(),
            minutes=minutes.mode().sort().first(),
            step_wh=steps.max(),
        )
        .select(FILE_FACTS.names())
        .cast(FILE_FACTS)
    )


def _as_rejects(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the rows as the contract's Reject; one that was well read is told by what was read of it."""
    told = pl.struct(
        "usage_point", pl.col("interval_start").dt.to_string("%Y-%m-%dT%H:%M:%SZ"), "minutes", *ENERGIES
    ).struct.json_encode()
    was_row = pl.col("source_row").is_not_null()
    shaped = rows.select(
        "source_file", "source_row", "reason", row=pl.when(was_row).then(pl.coalesce("row", told))
    )
    return shaped.cast(pl.Schema(contract.Reject))
