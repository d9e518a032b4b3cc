"""What `nightclamp check` says of the registers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import polars as pl

from pipeline.core import contract
from pipeline.ingest.check_problem import Problem, Severity, count, name_some
from pipeline.ingest.lake import Lake
from pipeline.ingest.registers import Registers
from pipeline.ingest.unknown_columns import UnknownColumn, unknown_columns

_WORTH_FILLING = (
    "timezone", "latitude", "longitude", "service", "service_amps", "pv_kw", "ct_sees_pv", "crew_id",
)  # fmt: skip
# What a reason quotes of its row: texts, days and numbers, not those within a name such as l1_w.
_VALUES = r"'[^']*'(; did you mean '[^']*'\?)?|\b-?\d[\d.eE+-]*\b"


def register_problems(lake: Lake, registers: Registers, unusable: Iterable[str]) -> Iterator[Problem]:
    """Yield what is wrong or odd in the registers; `unusable` says which can't be used at all, and why."""
    for told in unusable:
        yield Problem("fail", "registers", told)
    for table in ("crews", "visits", "trainings"):
        if lake.register(table) is None:
            yield Problem(
                "note", table, "no such register", "it may be left out: then nothing is known of it"
            )
    for file, columns in registers.columns.items():
        table = file.rpartition(".")[0]
        known, fields = contract.TABLES[table].column_names(), getattr(lake.config, table)
        mapped = [field.source for field in fields.values() if field.source]
        own = [name for name in known if name not in fields]
        yield from column_problems(
            file, unknown_columns(columns, [*known, *mapped], own or known, table=table)
        )
    yield from _reject_problems(registers.rejects)
    if not registers.sites.height:
        yield Problem(
            "fail", "sites", "not one usable home", "the lines above say why; without one no night runs"
        )
    if registers.duplicate:
        yield Problem("note", "registers", f"{count(registers.duplicate, 'row')} say what another row says")
    crews = registers.crews["crew_id"].implode()
    strangers = registers.sites.filter(~pl.col("crew_id").is_in(crews))
    if strangers.height:
        named = f"crew_id '{strangers['crew_id'][0]}' is not in crews"
        yield Problem("note", "sites", f"{named} ({count(strangers.height, 'home')})", "add the crew")
    for name in _WORTH_FILLING:
        empty = registers.sites[name].null_count()
        if empty:
            yield Problem(
                "note", "sites", f"{name} is empty for {count(empty, 'home')}", "fill it if it is known"
            )


def utility_problems(lake: Lake, registers: Registers) -> Iterator[Problem]:
    """Yield a line on the utility's files, which `nightclamp utility` looks into, and one on each that is not read."""
    files, odd = lake.utility_files()
    points = count(registers.meters.height, "usage point")
    if files:
        what = f"{count(len(files), 'file')}; meters names {points}"
        yield Problem("note", "utility", what, f"nightclamp utility {lake.root} says what they hold")
    elif registers.meters.height:
        yield Problem(
            "note", "utility", f"no file, but meters names {points}", "put the utility's files there"
        )
    for where, what in odd:
        yield Problem("note", where, what, "rename or remove it")


def column_problems(where: str, found: Iterable[UnknownColumn]) -> Iterator[Problem]:
    """Yield a line a column that nothing reads."""
    for column in found:
        severity: Severity = "fail" if column.is_misspelt else "note"
        yield Problem(severity, where, column.what, column.hint)


def _reject_problems(rejects: pl.DataFrame) -> Iterator[Problem]:
    """Yield a line a file and reason: reasons that differ in their values alone are one, told by the first."""
    alike = pl.col("reason").str.replace_all(_VALUES, "?")
    grouped = rejects.group_by("source_file", alike.alias("kind"), maintain_order=True)
    for (file, _), rows in grouped:
        numbers = [str(number) for number in rows["source_row"]]
        at = f": {name_some(numbers)}" if len(numbers) > 1 else ""
        yield Problem(
            "fail", f"{file} row {numbers[0]}", f"{rows['reason'][0]} ({count(len(numbers), 'row')}{at})"
        )
