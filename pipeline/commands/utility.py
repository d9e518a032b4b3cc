"""The command `nightclamp utility`."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.commands.options import AsJson, OutputConsole, SettingsFile
from pipeline.core import clock
from pipeline.core.errors import InputError
from pipeline.core.line_columns import lines_in
from pipeline.core.settings import Settings, load_settings
from pipeline.core.terminal_text import one_line


def utility(
    lake: Path, *, out: Path | None = None, json: AsJson = False, settings: SettingsFile = None
) -> None:
    """Say what the utility's files hold, a line a file and usage point, and which homes have no meter.

    With OUT also what the last night made of them: hours in common with the readings, clock offset, reading over
    truth. Example: `nightclamp utility LAKE --out OUT`

    Parameters
    ----------
    lake
        The lake's folder, or s3://bucket/prefix.
    out
        OUT of a published night; without it only the files are looked at.
    """
    from pipeline.commands.json_output import print_json
    from pipeline.commands.utility_text import file_line, home_line, summary
    from pipeline.ingest.lake import open_lake
    from pipeline.ingest.registers import read_registers
    from pipeline.ingest.utility import read_utility

    all_settings = load_settings(settings)
    opened = open_lake(lake, all_settings)
    registers = read_registers(opened, clock.utc_today())
    with tempfile.TemporaryDirectory(prefix="nightclamp-") as folder:
        intake = read_utility(opened, registers, all_settings, workdir=Path(folder))
    if intake.files.is_empty() and not intake.not_read:
        raise InputError(f"{opened.root}: no folder utility with files; put the utility's meter files there")
    homes = read_homes(out, all_settings) if out else None
    without = homes_without_meter(registers.sites["site_id"], intake.files, homes)
    if json:
        print_json(
            {
                "lake": opened.root,
                "rows": {
                    name: getattr(intake, name) for name in ("rows_in", "used", "duplicate", "rejected")
                },
                "files": intake.files.to_dicts(),
                "not_read": [{"where": where, "what": what} for where, what in intake.not_read],
                "homes": None if homes is None else homes.to_dicts(),
                "homes_without_meter": without,
            }
        )
        return
    console = OutputConsole()

    def say(line: str) -> None:
        console.print(one_line(line), highlight=False, markup=False, emoji=False, soft_wrap=True)

    for row in intake.files.iter_rows(named=True):
        say(file_line(row))
    for where, what in intake.not_read:
        say(f"{where}: {what}")
    if homes is not None:
        for row in homes.filter(pl.col("meter_hours").is_not_null()).iter_rows(named=True):
            say(home_line(row))
    say(summary(intake, without))


def read_homes(out: Path, settings: Settings) -> pl.DataFrame:
    """Return what the last published night made of the meters: columns of site_signal, one row a home with readings.

    Raises
    ------
    InputError
        Nothing is published in OUT, or by a version that knew no such files.
    """
    from pipeline.storage.output_location import read_out
    from pipeline.storage.run_files import require_whole

    with read_out(out, settings) as held:
        path = held.local / "latest" / "site_signal.parquet"
        if not path.is_file():
            raise InputError(f"{out}: no published night; run `nightclamp nightly` first, or leave out --out")
        columns = (
            "site_id", "meter_by", "meter_why_not", "meter_from_on", "meter_to_on", "meter_hours", "meter_offset_min",
            "meter_gain_l1", "meter_l1_se", "meter_gain_l2", "meter_l2_se", "meter_r2",
        )  # fmt: skip
        require_whole(path.parent, [path.name], held.local)
        signals = pl.read_parquet(path)
    if missing := [name for name in columns if name not in signals.columns]:
        raise InputError(f"{out}: its last night has no {missing[0]}; run the night again with this version")
    lines = lines_in(signals.columns, "meter_gain_{}")
    third = [name.format(line) for line in lines[2:] for name in ("meter_gain_{}", "meter_{}_se")]
    gained = signals.select(*columns, *third).with_columns(
        (pl.col(f"meter_{line}_se") * pl.col(f"meter_gain_{line}").pow(2)).alias(f"meter_gain_{line}_se")
        for line in lines
    )
    return gained.drop([f"meter_{line}_se" for line in lines]).sort("site_id")


def homes_without_meter(homes: pl.Series, files: pl.DataFrame, signals: pl.DataFrame | None) -> list[str]:
    """Return the homes that no file has rows of and, where a night is known, whose rows have no meter either."""
    has_file = files.filter(pl.col("used") > 0)["site_id"].drop_nulls()
    has_rows = (
        [] if signals is None else signals.filter(pl.col("meter_by").is_not_null())["site_id"].to_list()
    )
    without: Any = homes.filter(~homes.is_in([*has_file.to_list(), *has_rows]))
    return sorted(without.to_list())
