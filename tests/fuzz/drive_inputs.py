"""Drives the readers: mapping, settings, registers, files, days, and what texts become."""

from __future__ import annotations

import contextlib
from datetime import timedelta
from functools import cache
from pathlib import Path

import duckdb
import polars as pl
from built import build
from hostile_bytes import DAY, Sent
from watchers import no_formula

from pipeline.core import contract, sql_runner
from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.core.terminal_text import one_line
from pipeline.dispatch.drive_times import read_drive_times
from pipeline.dispatch.trucks import equal_trucks, read_trucks
from pipeline.ingest.csv_reader import ROW, UnusableFileError
from pipeline.ingest.intervals import load_day
from pipeline.ingest.lake import LakeFile, open_lake
from pipeline.ingest.lake_config import REGISTERS, Intervals, read_lake_config
from pipeline.ingest.lake_words import describe
from pipeline.ingest.normalize import conform
from pipeline.ingest.registers import read_registers
from pipeline.ingest.staging import prepare
from pipeline.report.names import page_name
from pipeline.report.page_templates import script_json
from pipeline.storage.table_files import write_csv

AS_OF = DAY + timedelta(days=1)
_KEYS = ("site_id", "interval_start", "l1_w")
REQUIRED = contract.required("intervals")


@cache
def _connection(folder: Path) -> duckdb.DuckDBPyConnection:
    return sql_runner.connect(folder, load_settings().engine)


def drive_mapping(case: tuple[str, list[str], list[str]], folder: Path) -> bool:
    """A lake.toml and a file of texts that it is to make sense of."""
    toml, names, cells = case
    try:
        mapping = read_lake_config(toml, "lake.toml")
    except InputError as error:
        assert "\n" not in str(error)
        return False
    describe(mapping)
    mapping.intervals.reads()
    frame = pl.DataFrame(dict.fromkeys(dict.fromkeys([*_KEYS, *names]), cells), schema_overrides={})
    frame = frame.with_columns(pl.int_range(1, pl.len() + 1, dtype=pl.Int64).alias(ROW))
    with contextlib.suppress(
        UnusableFileError, pl.exceptions.PolarsError
    ):  # prepare says the latter in words
        made = conform(frame, mapping.intervals, ("site_id", "interval_start"))
        if mapping.intervals.long is None:
            assert made.height == frame.height
    return True


def drive_settings(case: str, folder: Path) -> bool:
    """A settings file."""
    path = folder / "own.toml"
    path.write_text(case, encoding="utf-8")
    try:
        settings = load_settings(path)
    except InputError as error:
        assert "\n" not in one_line(error)
        return False
    if "engine" in case:
        with contextlib.suppress(InputError):
            sql_runner.connect(folder, settings.engine).close()
    return True


def drive_registers(case: dict[str, Sent], folder: Path) -> bool:
    """Registers of every wrong kind: typed rows or rejects, or one line."""
    lake = build(folder, case, [Sent(".parquet", b"")])
    try:
        read = read_registers(open_lake(lake), AS_OF)
    except InputError as error:
        assert str(error)
        return False
    for table in REGISTERS:
        assert getattr(read, table).columns == list(contract.shared_columns(table))
    assert read.sites["site_id"].is_unique().all()
    read.site_limits(load_settings().lake)
    return True


def drive_file(case: Sent, folder: Path) -> bool:
    """One file made readable: as many rows as it has, or refused whole."""
    path = folder / f"0{case.suffix}"
    path.write_bytes(case.content)
    workdir = folder / "work"
    workdir.mkdir(exist_ok=True)
    try:
        ready = prepare(
            LakeFile(path, path.name, len(case.content), 0), Intervals(), REQUIRED, workdir=workdir, number=0
        )
    except UnusableFileError as error:
        assert str(error)
        return False
    if case.rows is not None:
        assert pl.scan_parquet(ready, glob=False).select(pl.len()).collect().item() == case.rows
    return True


def drive_day(case: tuple[list[Sent], str, list[str]], folder: Path) -> bool:
    """A day of files through the whole intake: rows in = used + duplicate + rejected, and each row told."""
    files, toml, names = case
    root = build(folder, {}, files, toml, names)
    settings = load_settings()
    try:
        lake = open_lake(root)
        registers = read_registers(lake, AS_OF)
    except InputError:
        return False
    con = _connection(folder)
    intake = load_day(con, lake, DAY, registers=registers, settings=settings, workdir=folder / "work")
    used = con.table("interval_used").pl()
    rejects = pl.concat([pl.read_parquet(file) for file in intake.reject_files])
    unread = rejects.filter(pl.col("source_row").is_null())
    assert intake.rows_in == intake.used + intake.duplicate + intake.rejected
    assert rejects.height - unread.height == intake.rejected
    assert used.height == intake.used == used.select("site_id", "interval_start").unique().height
    assert used["interval_start"].dt.date().eq(DAY).all()
    assert used.select(pl.all_horizontal(pl.col(pl.Float64).is_finite().fill_null(True))).to_series().all()
    refused = set(unread["source_file"])
    sure = [
        f.rows
        for f, name in zip(files, names, strict=False)
        if f"intervals/date={DAY}/{name}{f.suffix}" not in refused
    ]
    if not toml and len(set(names[: len(files)])) == len(files) and None not in sure:
        assert intake.rows_in == sum(r for r in sure if r is not None)
    return intake.rows_in > 0


def drive_texts(case: list[str], folder: Path) -> bool:
    """Texts in file names, in CSV, in scripts of pages and on a terminal."""
    pages = [page_name(text) for text in case]
    assert len(set(pages)) == len(set(case))
    assert all(Path(page).name == page and page.isascii() and len(page) < 80 for page in pages)
    write_csv(
        pl.DataFrame({"a": case, "b": case[::-1]}, {"a": pl.String, "b": pl.String}), folder / "texts.csv"
    )
    no_formula(folder / "texts.csv")
    assert not set("<>&\u2028\u2029") & set(script_json(case))
    assert all(
        sign.isprintable() or sign in " \u3000\xa0" for sign in one_line(" ".join(case)) if sign < "\xa1"
    )
    return True


def drive_trucks(case: tuple[bytes, bytes], folder: Path) -> bool:
    """The two files of `dispatch`."""
    own = load_settings().dispatch
    for name, content in zip(("trucks.csv", "drive_times.csv"), case, strict=True):
        (folder / name).write_bytes(content)
    try:
        trucks, _ = read_trucks(folder / "trucks.csv", own, (39.7, -105.0), areas={"north"})
    except InputError:
        trucks = equal_trucks(own, (39.7, -105.0))
    try:
        supplied, _ = read_drive_times(folder / "drive_times.csv", ["a", "b"], trucks, sites={"a", "b", "T1"})
    except InputError:
        return False
    assert all(minutes >= 0 for minutes in supplied.values())
    return True
