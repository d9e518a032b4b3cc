"""The registers (sites, crews, visits, safety calls, meters...) as the contract types them; bad rows become rejects."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

import dataframely as dy
import polars as pl

from pipeline.core import contract
from pipeline.core.errors import InputError
from pipeline.core.services import UNKNOWN
from pipeline.core.setting_sections import LakeSettings
from pipeline.ingest.csv_reader import BAD, REASON, ROW, TEXT
from pipeline.ingest.lake import Lake
from pipeline.ingest.lake_config import REGISTERS, Fields
from pipeline.ingest.register_days import as_known_on, with_day_reasons
from pipeline.ingest.register_rows import register_texts, typed_rows

_SORTED_BY = {
    "sites": "site_id", "crews": "crew_id", "visits": "visit_id", "trainings": "crew_id", "safety_calls": "site_id",
    "meters": "usage_point",
}  # fmt: skip


def service_lines() -> pl.Expr:
    """Return how many lines each site's service has; an empty one has those of what it is taken for."""
    return pl.col("service").fill_null(UNKNOWN).replace_strict(contract.SERVICE_LINES, return_dtype=pl.Int64)


def _none_of(table: str) -> pl.DataFrame:
    return pl.DataFrame(schema=pl.Schema(contract.TABLES[table])).select(contract.shared_columns(table))


@dataclass(frozen=True)
class Registers:
    """The registers on `as_of`, each with every contract column that is shared, sorted; `rejects` as Reject.

    `duplicate` counts rows that say the same as one before; `columns` are the names in each register's file. What is
    private is apart, so that no table made of the registers carries it: `contacts` (site_id, address, access_note,
    customer) and `notes` (visit_id, note), only the rows that say something. A safety call's note stays in the lake.
    """

    as_of: date
    sites: pl.DataFrame
    crews: pl.DataFrame
    visits: pl.DataFrame
    trainings: pl.DataFrame
    rejects: pl.DataFrame
    duplicate: int = 0
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    safety_calls: pl.DataFrame = field(default_factory=lambda: _none_of("safety_calls"))
    meters: pl.DataFrame = field(default_factory=lambda: _none_of("meters"))
    contacts: pl.DataFrame = field(default_factory=lambda: _no_private("sites"))
    notes: pl.DataFrame = field(default_factory=lambda: _no_private("visits"))

    @property
    def are_all_single(self) -> bool:
        """Every home has one channel only, of its one line or of all together, so that l2_w may be absent."""
        has_one = (service_lines() == 1) | pl.col("lines_summed").fill_null(False)
        return bool(self.sites.height) and bool(self.sites.select(has_one.all()).item())

    def service_work(self) -> pl.DataFrame:
        """Return site_id and visited_on, the days after which a home's data start anew: visits, repairs of neutrals."""
        repairs = self.safety_calls.select("site_id", visited_on="repaired_on").drop_nulls()
        return pl.concat([self.visits.select("site_id", "visited_on"), repairs])

    def site_limits(self, limits: LakeSettings) -> pl.DataFrame:
        """Return the sites with site_key (whole number), leg_max_w and pv_max_w, the most a reading is [W].

        A leg carries service_amps x its nominal volts x headroom, one channel of all lines as much as they do together.
        PV gives pv_kw x headroom, but never less than one channel carries, which is what exchanged CTs show as
        production.
        """
        volts = pl.col("service").replace_strict(
            contract.SERVICE_LEG_V, default=120.0, return_dtype=pl.Float64
        )
        lines = pl.when("lines_summed").then(service_lines()).otherwise(1)
        leg_w = pl.col("service_amps").fill_null(limits.default_service_amps) * volts * lines
        pv_w = pl.col("pv_kw") * 1000 * limits.pv_headroom
        return self.sites.with_row_index("site_key").with_columns(
            (leg_w * limits.leg_headroom).alias("leg_max_w"),
            pl.max_horizontal(pv_w.fill_null(limits.unknown_pv_kw * 1000), leg_w).alias("pv_max_w"),
        )


def read_registers(
    lake: Lake, as_of: date, *, today: date | None = None, unusable: list[str] | None = None
) -> Registers:
    """Read the registers of `lake` as they stand on `as_of`.

    Of rows with one key the first is kept; the same row again is no error, another one is rejected. The row of a reject
    has the shared columns of the contract, nothing else: a private note is in no table.

    Parameters
    ----------
    lake, as_of
        Whose they are, and the night.
    today
        The day on which a past night is made: what happened since is no error. `as_of` if not given.
    unusable
        Gets why a register can't be used, which then stands empty: nothing is raised.

    Raises
    ------
    InputError
        A register can't be read, lacks a required column, or leaves no home.
    """
    tables: dict[str, pl.DataFrame] = {}
    refused: list[pl.DataFrame] = [contract.rejects()]
    columns: dict[str, tuple[str, ...]] = {}
    duplicate = 0
    for table in REGISTERS:
        path = lake.register(table)
        if path is None:
            tables[table] = pl.DataFrame(schema=pl.Schema(contract.TABLES[table]))
            continue
        schema = contract.TABLES[table]
        try:
            with lake.naming():
                texts, malformed = register_texts(path)
                columns[path.name] = tuple(name for name in texts.columns if name != ROW)
                fields = getattr(lake.config, table)
                rows, bad = _split(typed_rows(path, texts, table, fields=fields))
        except InputError as error:
            if unusable is None:
                raise
            unusable.append(str(error))
            tables[table] = pl.DataFrame(schema=pl.Schema(schema))
            continue
        steps = [bad]
        rows, bad = _split(with_day_reasons(table, rows, tables.get("sites", rows), as_of=as_of, today=today))
        steps.append(bad)
        rows_once, bad = _split(_once(rows, schema))
        duplicate += rows.height - rows_once.height - bad.height
        steps.append(bad)
        tables[table] = as_known_on(table, rows_once.select(schema.column_names()), as_of)
        if table in contract.PRIVATE:
            texts = texts.select(ROW, *_shared_sources(texts.columns, table, fields))
            malformed = malformed.with_columns(pl.lit(None, dtype=pl.String).alias(TEXT))
        refused.append(_as_rejects(pl.concat([malformed, _with_text(pl.concat(steps), texts)]), path.name))
    if not tables["sites"].height and unusable is None:
        with lake.naming():
            raise InputError(f"{lake.register('sites')}: not one usable home; see `nightclamp check`")
    frames = {name: frame.sort(_SORTED_BY[name], maintain_order=True) for name, frame in tables.items()}
    contacts, notes = (_private(frames[table], table) for table in ("sites", "visits"))
    shared = {name: frame.select(contract.shared_columns(name)) for name, frame in frames.items()}
    return Registers(
        as_of,
        **shared,
        rejects=pl.concat(refused),
        duplicate=duplicate,
        columns=columns,
        contacts=contacts,
        notes=notes,
    )


def _no_private(table: str) -> pl.DataFrame:
    return _private(pl.DataFrame(schema=pl.Schema(contract.TABLES[table])), table)


def _private(rows: pl.DataFrame, table: str) -> pl.DataFrame:
    """Return the key and the private columns of the rows that have any."""
    columns = contract.PRIVATE[table]
    return rows.select(_SORTED_BY[table], *columns).filter(pl.any_horizontal(pl.col(columns).is_not_null()))


def _shared_sources(columns: list[str], table: str, fields: Fields) -> list[str]:
    """Return the columns of the file that shared columns of the contract are read from."""
    read = {
        (fields[name].source or name if name in fields else name).casefold()
        for name in contract.shared_columns(table)
    }
    return [column for column in columns if column.strip().casefold() in read]


def _split(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Part rows by REASON: the good ones without it, the bad ones as (ROW, REASON)."""
    is_good = pl.col(REASON).is_null()
    return rows.filter(is_good).drop(REASON), rows.filter(~is_good).select(ROW, REASON)


def _with_text(bad: pl.DataFrame, texts: pl.DataFrame) -> pl.DataFrame:
    """Return bad rows (ROW, REASON) with the TEXT that they came as: the schema BAD."""
    came = texts.filter(pl.col(ROW).is_in(bad[ROW].implode()))
    texts_of_rows = came.select(ROW, pl.struct(pl.exclude(ROW)).struct.json_encode().alias(TEXT))
    return bad.join(texts_of_rows, on=ROW, how="left", maintain_order="left").select(BAD.names())


def _as_rejects(bad: pl.DataFrame, file: str) -> pl.DataFrame:
    return bad.sort(ROW).select(
        pl.lit(file).alias("source_file"),
        pl.col(ROW).alias("source_row"),
        pl.col(REASON).alias("reason"),
        pl.col(TEXT).alias("row"),
    )


def _once(rows: pl.DataFrame, schema: type[dy.Schema]) -> pl.DataFrame:
    """Give each later row of a key that says other things a REASON, and drop those that say the same."""
    columns, keys = schema.column_names(), schema.primary_key()
    if keys and rows.select(keys).n_unique() == rows.height:  # as a register should be
        return rows.with_columns(pl.lit(None, dtype=pl.String).alias(REASON))
    distinct = rows.unique(columns, keep="first", maintain_order=True)
    if not keys:
        return distinct.with_columns(pl.lit(None, dtype=pl.String).alias(REASON))
    is_later = pl.int_range(pl.len()).over(keys) > 0
    reason = pl.format(
        f"{keys[0]} '{{}}' is there before with other content; the first row is kept", pl.col(keys[0])
    )
    return distinct.with_columns(pl.when(is_later).then(reason).alias(REASON))
