"""The used rows of a few homes on a day of the lake: those that the night uses, by the same checks and counts.

A day's files are opened as the night opens them and checked by the same queries, over the rows of these homes only.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import TypeVar

import duckdb
import polars as pl

from pipeline.core import contract, sql_runner
from pipeline.core.atomic_files import write_parquet
from pipeline.core.disk_errors import is_disk_full
from pipeline.core.errors import NightFailed
from pipeline.core.settings import Settings
from pipeline.correction.night_counts import differs, night_used
from pipeline.features.day_store import Store
from pipeline.ingest.intervals import COUNTS
from pipeline.ingest.lake import Lake
from pipeline.ingest.normalize import STAGED
from pipeline.ingest.opened_files import Opened, by_line_of, close_day, open_day, point_at
from pipeline.ingest.registers import Registers

T = TypeVar("T")

# How often a day is read again whose files are replaced meanwhile.
_TRIES = 3
# Rows of homes that are in memory at once; about 0.3 GB of corrected rows.
ROWS_AT_ONCE = 500_000
COUNT_SCHEMA = pl.Schema({"site_id": pl.String, **dict.fromkeys(COUNTS, pl.Int64)})
_CHANNELS = (*contract.MEASURES, *contract.THIRD_LINE)
_COLUMNS = ("site_id", "interval_start", *_CHANNELS)


class UnlikeTheNightError(Exception):
    """The rows of a home are not as many as the night used."""


@dataclass(frozen=True)
class HomeRows:
    """What a day's files hold of some homes.

    `rows` are the used ones: site_id, interval_start (naive UTC) and the contract's MEASURES and THIRD_LINE, in its
    units, sorted by home and time, each start once. `counts` has a row a home that has a data row: site_id and COUNTS,
    where rows_in = used + duplicate + rejected; `used` is counted apart from `rows`.
    """

    rows: pl.DataFrame
    counts: pl.DataFrame

    @classmethod
    def none(cls) -> HomeRows:
        """Return the rows of no home."""
        schema: dict[str, pl.DataType] = {"site_id": pl.String(), "interval_start": pl.Datetime("us")}
        rows = pl.DataFrame(schema=schema | dict.fromkeys(_CHANNELS, pl.Float64()))
        return cls(rows, pl.DataFrame(schema=COUNT_SCHEMA))


@dataclass(frozen=True)
class LakeReader:
    """Reads homes' used rows out of a lake; what it reads doesn't depend on which homes are read together.

    `store` is what the night keeps, or None: where it has a day as the lake has it now, each home's rows must be as
    many as the night used. Copies of files lie in `workdir` meanwhile; who reads in several threads gives each its own.
    `kept` is a folder for rows that will be asked for again, or None.
    """

    lake: Lake
    registers: Registers
    settings: Settings
    workdir: Path
    store: Store | None = None
    kept: Path | None = None
    limits: pl.DataFrame = field(init=False)

    def __post_init__(self) -> None:
        """Work out what a home's service and array can carry."""
        limits = self.registers.site_limits(self.settings.lake)
        object.__setattr__(self, "limits", limits.select("site_id", "site_key", "leg_max_w", "pv_max_w"))

    def apart(self, name: str) -> LakeReader:
        """Return a reader whose copies of files lie in a folder of their own."""
        return replace(self, workdir=self.workdir / name)

    def open(self, con: duckdb.DuckDBPyConnection, day: date, *, is_doubted: bool = False) -> OpenedDay:
        """Open the files of a day; with `is_doubted` as copies, each read to its end first.

        Raises
        ------
        OSError
            A file is no longer the one that was listed.
        """
        fingerprint, files = self.lake.fingerprint(day), self.lake.files(day)
        self.workdir.mkdir(parents=True, exist_ok=True)
        required = contract.required("intervals", are_all_single=self.registers.are_all_single)
        brought = self.lake.bring(files, self.workdir)
        opened = open_day(
            con, brought, self.lake.config.intervals, required=required, workdir=self.workdir,
            in_place=not is_doubted, probe=is_doubted,
        )  # fmt: skip
        return OpenedDay(self, con, day, fingerprint, tuple(opened), is_doubted)

    def read(self, con: duckdb.DuckDBPyConnection, day: date, homes: Sequence[str]) -> HomeRows:
        """Return what a day's files hold of these homes, all at once; raises as `of_day` does.

        What is read first of a day's files is kept in the folder `kept`, if there is one.
        """
        found = self.read_before(day, homes)
        if found is not None:
            return found
        found = self.of_day(con, day, lambda opened: opened.read(homes))
        if self.kept is not None:
            rows, counts = self._kept_files(self.kept, day)
            if not counts.exists():
                asked = pl.DataFrame({"site_id": homes}, schema={"site_id": pl.String})
                all_counts = asked.join(found.counts, on="site_id", how="left").fill_null(0)
                write_parquet(rows, found.rows, compression="lz4", is_synced=False)
                write_parquet(counts, all_counts, compression="lz4", is_synced=False)
        return found

    def read_before(self, day: date, homes: Sequence[str]) -> HomeRows | None:
        """Return what an earlier `read` of the same files kept of these homes; None if it read fewer."""
        if self.kept is None:
            return None
        rows, counts = self._kept_files(self.kept, day)
        if not counts.is_file():
            return None
        known = pl.read_parquet(counts, glob=False)
        if not set(homes) <= set(known["site_id"]):
            return None
        wanted = pl.col("site_id").is_in(list(homes))
        found = pl.scan_parquet(rows, glob=False).filter(wanted).collect()
        return HomeRows(found, known.filter(wanted).select(COUNT_SCHEMA.names()))

    def _kept_files(self, folder: Path, day: date) -> tuple[Path, Path]:
        name = f"{day}-{self.lake.fingerprint(day)}"
        return folder / f"{name}-rows.parquet", folder / f"{name}-counts.parquet"

    def of_day(self, con: duckdb.DuckDBPyConnection, day: date, work: Callable[[OpenedDay], T]) -> T:
        """Return what `work` makes of a day's files, which it reads some homes at a time.

        It is called again where the files changed meanwhile, and where they have to be read to their ends first.

        Raises
        ------
        NightFailed
            The files keep changing, can't be read, or hold other rows than the night used.
        """
        error: Exception | None = None
        for is_doubted in (False, True):
            for _ in range(_TRIES):
                opened: OpenedDay | None = None
                fingerprint = self.lake.fingerprint(day)
                try:
                    opened = self.open(con, day, is_doubted=is_doubted)
                    result = work(opened)
                    if self.lake.fingerprint(day) == fingerprint:
                        return result
                except (duckdb.Error, OSError, UnlikeTheNightError) as raised:
                    if is_disk_full(raised):
                        raise
                    error = raised
                    if self.lake.fingerprint(day) == fingerprint:
                        break
                finally:
                    if opened:
                        opened.close()
            else:
                raise NightFailed(
                    f"{_where(self.lake, day)}: files keep changing while they are read; run it again"
                )
        message = " ".join(str(error).split())[:300]
        raise NightFailed(f"{_where(self.lake, day)}: {message}; run the night, then this again")


@dataclass(frozen=True)
class OpenedDay:
    """A day's files, opened; to be closed by who opened them."""

    reader: LakeReader
    con: duckdb.DuckDBPyConnection
    day: date
    fingerprint: str
    files: tuple[Opened, ...]
    is_doubted: bool

    @property
    def homes_at_once(self) -> int:
        """How many homes' rows may be read at once, going by the rows that the files say they hold."""
        rows, homes = sum(file.rows for file in self.files), max(self.reader.registers.sites.height, 1)
        return max(1, ROWS_AT_ONCE * homes // max(rows, homes))

    def read(self, homes: Sequence[str]) -> HomeRows:
        """Return what the files hold of these homes.

        Raises
        ------
        duckdb.Error
            A file can't be read to its end.
        UnlikeTheNightError
            The night used another number of rows.
        """
        con, wanted = self.con, sorted(homes)
        con.register("interval_template", pl.DataFrame(schema=STAGED).to_arrow())
        con.register(
            "wanted_home", pl.DataFrame({"site_id": wanted}, schema={"site_id": pl.String}).to_arrow()
        )
        limits = self.reader.limits.filter(pl.col("site_id").is_in(wanted))
        con.register("site_register", limits.to_arrow())
        point_at(con, self._paths(wanted), by_line=by_line_of(self.files), of_homes=True)
        params = {"day": self.day, "as_of": self.reader.registers.as_of, **contract.interval_ranges()}
        sql_runner.build(con, "interval_checked", params)
        rows = sql_runner.query(con, "interval_used", params).select(_COLUMNS)
        counts = sql_runner.query(con, "interval_home_count", params).cast(COUNT_SCHEMA)
        con.execute("DROP TABLE interval_checked")
        self._check(counts, wanted)
        return HomeRows(rows, counts)

    def close(self) -> None:
        """Remove copies that were made."""
        close_day(self.files)
        self.reader.lake.drop([file.file for file in self.files])

    def _check(self, counts: pl.DataFrame, homes: Sequence[str]) -> None:
        """Hold the rows against the night's, as far as its store has the day.

        They are others where the night refused a damaged file whole of which the part with these homes can be read.
        """
        store, reader = self.reader.store, self.reader
        if store is None:
            return
        used = night_used(
            store,
            self.day,
            self.fingerprint,
            homes=homes,
            registers=reader.registers,
            settings=reader.settings,
        )
        if used and ((used.is_probed and not self.is_doubted) or differs(counts, used.homes)):
            raise UnlikeTheNightError("it has other rows of a home than the night used")

    def _paths(self, wanted: list[str]) -> list[Path]:
        """Return the files that may hold a row of these homes, or an empty one."""
        homes = pl.Series(wanted, dtype=pl.String)
        paths = [file.path for file in self.files if file.path and _may_hold(file, homes)]
        if not paths:
            paths = [self.reader.workdir / "nothing.parquet"]
            write_parquet(paths[0], pl.DataFrame(schema=STAGED), is_synced=False)
        return paths


def _where(lake: Lake, day: date) -> str:
    return f"{lake.root}/intervals/date={day}"


def _may_hold(file: Opened, homes: pl.Series) -> bool:
    """Tell whether a file may have a row of the sorted `homes`, by the first and last home that it says it has."""
    if file.first_home is None or file.last_home is None:
        return True
    place = int(homes.search_sorted(file.first_home))
    return place < homes.len() and str(homes[place]) <= file.last_home
