"""Every table of sql/ over a tiny simulated lake: where the other tests take column types from."""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import day_oracle
import polars as pl
from day_oracle import select

from pipeline.core import contract, sql_runner
from pipeline.core.quantiles import Z95
from pipeline.core.settings import load_settings
from pipeline.correction.layout import CORRECTED, EPISODE
from pipeline.crews import crew_tables
from pipeline.faults.catalogue import CATALOGUE
from pipeline.features.aggregates import HomeDays, site_window
from pipeline.features.day_statistics import day_params, site_sky
from pipeline.features.site_share import site_share
from pipeline.features.window_features import WINDOW_TABLES, site_fact
from pipeline.ingest.intervals import load_day
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import Registers, read_registers
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.score_homes import Scored
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec
from pipeline.worklist import pre_visit_scores

SETTINGS = load_settings()
STEMS = sorted(
    path.name.removesuffix(".sql") for path in files("sql").iterdir() if path.name.endswith(".sql")
)
TABLES = sorted({stem for stem in (*STEMS, *day_oracle.STEMS) if stem != "macros"})
# Tables that queries read from files, and the parameter that names the files.
FROM_FILES = {"site_day": "day_files", "site_hour": "hour_files"}
_ENTRY = re.compile(r"((?:[a-z]\w*,\s+)*[a-z]\w*)\s+\[[^\]]+\]")
_MARKER = re.compile(r"^and (all|some) of ([\w, ]+?)(?: but ([\w, ]+))?(?::.*)?$", re.MULTILINE)


@dataclass(frozen=True)
class Header:
    """The comment that a query begins with."""

    grain: str
    sentence: str
    columns: tuple[str, ...]
    all_of: tuple[str, ...]
    some_of: tuple[str, ...]
    but: tuple[str, ...]


def read_header(text: str) -> Header:
    """Read a header: grain, sentence, then lines indented by three: `name, name [unit] meaning`.

    `and all of TABLE but x` stands for all columns of a table but x, `and some of TABLE: which` for some.
    """
    comment = [line[2:] for line in text.splitlines()[: _comment_lines(text)]]
    grain, *rest = (line.removeprefix(" ") for line in comment)
    first = next((at for at, line in enumerate(rest) if line.startswith("  ")), len(rest))
    block = "\n".join(line.strip() for line in rest[first:] if line.startswith("  "))
    columns = [name.strip() for match in _ENTRY.finditer(block) for name in match[1].split(",")]
    found: dict[str, list[str]] = {"all": [], "some": [], "but": []}
    for which, tables, but in _MARKER.findall(block):
        found[which] += _names(tables)
        found["but"] += _names(but)
    return Header(
        grain, " ".join(rest[:first]), tuple(columns), *(tuple(found[w]) for w in ("all", "some", "but"))
    )


def _comment_lines(text: str) -> int:
    lines = text.splitlines()
    return next((at for at, line in enumerate(lines) if not line.startswith("--")), len(lines))


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]


class World:
    """A DuckDB that holds every table of one simulated day: any query can be described or run on it."""

    def __init__(self, root: Path) -> None:
        write_lake(FleetSpec(sites=2, days=1, minutes=60, seed=1), root / "lake")
        lake = open_lake(root / "lake")
        day = lake.days()[0]
        registers = read_registers(lake, day)
        self.con = sql_runner.connect(root, SETTINGS.engine)
        self.params = {
            **default_params(day),
            "day_files": [str(root / "site_day.parquet")],
            "hour_files": [str(root / "site_hour.parquet")],
            "files": [str(file.path) for file in lake.files(day)],
        }
        self.params["corrected_files"] = [str(root / "corrected.parquet")]
        self.params["z95"] = Z95
        pl.DataFrame(schema=CORRECTED).write_parquet(root / "corrected.parquet")
        episodes = pl.DataFrame(schema={**EPISODE, "line_count": pl.Int32})
        self.con.register("episode", episodes.to_arrow())
        intake = load_day(self.con, lake, day, registers=registers, settings=SETTINGS, workdir=root / "work")
        files = pl.DataFrame(schema={"file_no": pl.Int32, "source_file": pl.String})
        self.con.register("interval_file", files.to_arrow())
        self.con.register("interval_unread", contract.rejects().with_row_index("place").to_arrow())
        self.con.register("wanted_home", registers.sites.select("site_id").to_arrow())
        self.params["reject_files"] = [str(path) for path in intake.reject_files]
        self.con.register("register_reject", registers.rejects.with_row_index("place").to_arrow())
        arrived = pl.DataFrame(schema={"source_file": pl.String, "place": pl.Int64})
        self.con.register("arrived", arrived.to_arrow())
        self.con.register("site_sky", site_sky(registers.sites, SETTINGS.day).to_arrow())
        for table in ("interval_checked", *day_oracle.TABLES, *FROM_FILES):
            sql_runner.keep(self.con, select(self.con, table, self.params), table)
        for table, parameter in FROM_FILES.items():
            self.con.table(table).write_parquet(self.params[parameter][0])
        sites = registers.sites.select("site_id")
        self.params["homes"] = sites["site_id"].to_list()
        span = sites.with_columns(pl.lit(day).alias("from_on"), pl.lit(day).alias("to_on"))
        days = HomeDays.of([Path(path) for path in self.params["day_files"]])
        self.con.register("site_window", site_window(days, span, SETTINGS.feature).to_arrow())
        self.con.register("site_fact", site_fact(registers.sites).to_arrow())
        self.con.register("site_share", site_share(registers.sites).to_arrow())
        for table in WINDOW_TABLES:
            sql_runner.build(self.con, table, self.params)
        for table, rows in crews(registers).items():
            self.con.register(table, rows.to_arrow())

    def columns_of(self, table: str) -> dict[str, str]:
        """Column -> type of a query of sql/, or of a table that the pipeline hands to the queries."""
        is_query = table in TABLES
        relation = select(self.con, table, self.params) if is_query else self.con.table(table)
        return {name: str(kind) for name, kind in zip(relation.columns, relation.types, strict=True)}


def crews(registers: Registers) -> dict[str, pl.DataFrame]:
    """The tables about crews, of homes without a score: the views read their columns."""
    shares = pl.Struct(dict.fromkeys(("reversed", "sound"), pl.Float64))
    scores = {
        "site_id": pl.String, "likelihood": pl.Float64, "ct_verdict": pl.String, "onset_on": pl.Date,
        "nights": pl.Int64, "fault_likelihoods": shares,
    }  # fmt: skip
    promise = pl.DataFrame(schema={"visit_id": pl.String, **pre_visit_scores.COLUMNS})
    fleet = FleetNormal({}, SETTINGS.verdict.base_rate, {}, pl.DataFrame())
    scored = Scored(pl.DataFrame(schema=scores), registers.sites.select("site_id"), fleet)
    return crew_tables(scored, registers, promise, catalogue=CATALOGUE, settings=SETTINGS)


def default_params(day: Any) -> dict[str, Any]:
    """The parameters of every query as the shipped settings have them."""
    return {
        **SETTINGS.lake.model_dump(),
        **SETTINGS.feature.model_dump(),
        **day_params(SETTINGS.day, day),
        **contract.interval_ranges(),
        "as_of": day,
        "interval_minutes": [float(minutes) for minutes in contract.INTERVAL_MINUTES],
    }
