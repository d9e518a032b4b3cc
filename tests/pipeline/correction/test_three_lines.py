"""Homes with three lines from their rows to what their days say, and which wirings can be put right."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest
from stored_nights import SETTINGS

from pipeline.core import sql_runner
from pipeline.correction.day_stats import day_stats_of, put_day_stats
from pipeline.correction.extract import LakeReader
from pipeline.correction.layout import EPISODE
from pipeline.correction.site_facts import site_facts
from pipeline.correction.span_signals import span_signals
from pipeline.correction.three_lines import (
    NO_LEG,
    OTHER_WIRING,
    UNSURE,
    services_of_three,
    with_wirings,
)
from pipeline.correction.witnesses import UNKNOWN_FACTOR, find_witnesses
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring, measure
from pipeline.features.aggregates import HomeDays
from pipeline.features.day_store import Store
from pipeline.features.line_signals import line_days
from pipeline.features.update_store import refresh_days
from pipeline.features.window_features import site_signals
from pipeline.ingest.lake import Lake, open_lake
from pipeline.ingest.registers import Registers, read_registers
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

SPEC = FleetSpec(
    sites=4,
    days=6,
    minutes=30,
    seed=5,
    fault_share=0.0,
    hard_share=0.0,
    register_gap_share=0.0,
    service="230/400",
)


@dataclass(frozen=True)
class Stored:
    """A lake of homes with three lines, and the night's tables of its days."""

    lake: Lake
    registers: Registers
    days: list[date]
    files: list[Path]
    line_files: list[Path]


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Stored:
    root = tmp_path_factory.mktemp("three")
    write_lake(SPEC, root / "lake")
    lake = open_lake(root / "lake")
    registers, store = read_registers(lake, SPEC.end), Store(root / "store")
    con = sql_runner.connect(root, SETTINGS.engine)
    done = refresh_days(
        con, lake, lake.days(), registers=registers, store=store, settings=SETTINGS, workdir=root
    )
    files, line_files = (
        [path for day in done for path in day.paths(store, table)] for table in ("site_day", "line_day")
    )
    return Stored(lake, registers, [day.day for day in done], files, line_files)


@pytest.fixture
def con(tmp_path: Path) -> duckdb.DuckDBPyConnection:
    return sql_runner.connect(tmp_path, SETTINGS.engine)


def test_the_days_of_few_homes_are_the_nights_own_with_their_pairs(
    stored: Stored, con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    homes = stored.registers.sites["site_id"].to_list()[:2]
    reader = LakeReader(stored.lake, stored.registers, SETTINGS, tmp_path / "work")
    day = stored.days[2]
    rows = reader.read(con, day, homes).rows
    assert rows["l3_w"].count() > 50

    tables = day_stats_of(con, rows, day=day, sites=stored.registers.sites, settings=SETTINGS.day)

    for table, files, keys in (
        (tables.site_day, stored.files, ["site_id"]),
        (tables.line_day, stored.line_files, ["site_id", "pair"]),
    ):
        night = pl.read_parquet(files).filter(pl.col("day") == day, pl.col("site_id").is_in(homes)).sort(keys)
        assert table.sort(keys).equals(night.select(table.columns))
    site_day, line_day = put_day_stats(tmp_path, day, tables)
    assert pl.read_parquet(line_day).equals(tables.line_day)
    assert pl.read_parquet(site_day).equals(tables.site_day)


def test_spans_say_of_three_lines_what_the_window_says(
    stored: Stored, con: duckdb.DuckDBPyConnection
) -> None:
    homes, first, last = stored.registers.sites["site_id"].to_list(), stored.days[0], stored.days[-1]
    spans = pl.DataFrame(
        [(at, home, begin, last) for at, (home, begin) in enumerate((h, b) for h in homes for b in stored.days[:2])],
        schema={"span": pl.Int64, "site_id": pl.String, "from_on": pl.Date, "to_on": pl.Date}, orient="row",
    )  # fmt: skip

    found = span_signals(
        con,
        stored.files,
        spans,
        sites=stored.registers.sites,
        settings=SETTINGS,
        line_files=stored.line_files,
    )

    window = pl.DataFrame({"site_id": homes}).with_columns(from_on=pl.lit(first), to_on=pl.lit(last))
    night = site_signals(
        con, HomeDays.of(stored.files), window, sites=stored.registers.sites, settings=SETTINGS,
        lines=line_days(stored.line_files),
    )  # fmt: skip
    whole = found.filter(pl.col("from_on") == first).sort("site_id")
    assert whole["line_count"].to_list() == [3] * len(homes)
    assert whole.select(night.columns).equals(night.sort("site_id"), null_equal=True)


def test_the_service_is_that_of_the_lines_that_are_read(stored: Stored, tmp_path: Path) -> None:
    sites = stored.registers.sites.head(3).with_columns(
        service=pl.Series(["120/240", "230/400", "230/400"]), lines_summed=pl.Series([None, True, None])
    )
    names = sites["site_id"].to_list()
    signals = {
        "site_id": names,
        "line_count": [3, 1, 2],
        "service": ["120/208 three-phase", "230/400", "230/400"],
    }
    pl.DataFrame(signals).write_parquet(tmp_path / "site_signal.parquet")

    facts = site_facts(sites, services_of_three(tmp_path))

    assert facts["service"].to_list() == ["120/208 three-phase", "single", "230/400"]
    assert services_of_three(tmp_path / "none").is_empty()


def wired(
    tmp_path: Path, fault: str, leg: str | None, code: str | None, share: float = 0.97, **values: object
) -> tuple[str | None, str | None, str | None]:
    """Leg, wiring and why not of an episode of home "a" beside the night's likeliest wiring."""
    row = {"site_id": "a", "fault": fault, "leg": leg, "service": "230/400", **values}
    episodes = pl.DataFrame({name: [row.get(name)] for name in EPISODE.names()}, schema=EPISODE)
    table = {"site_id": ["a"], "ordinal": [1], "wiring": [code], "likelihood": [share]}
    pl.DataFrame(table).filter(pl.lit(code is not None)).write_parquet(tmp_path / "wiring.parquet")
    told = with_wirings(episodes, tmp_path, CATALOGUE)
    assert told.schema == EPISODE
    return told.select("leg", "wiring", "why_not").row(0)


def test_a_wiring_is_put_right_where_the_night_is_sure_of_it(tmp_path: Path) -> None:
    every = "l1+l2+l3"
    for fault, leg, code, expected in (
        ("legs_crossed", every, "l2+ l3+ l1+", (every, "l2+ l3+ l1+", None)),
        ("legs_crossed", "both", "l3+ l1+ l2+", (every, "l3+ l1+ l2+", None)),
        ("legs_crossed", "l1+l2", "l2- l1+ l3+", ("l1+l2", "l2- l1+ l3+", None)),
        ("legs_crossed", "l1+l2", "l3+ l2+ l1+", ("l1+l2", None, OTHER_WIRING)),
        ("legs_crossed", "l1+l2", "l1- l2- l3+", ("l1+l2", None, OTHER_WIRING)),
        ("legs_crossed", "l1+l2", None, ("l1+l2", None, None)),
        ("legs_crossed", every, None, (every, None, UNSURE)),
        ("reversed", "l3", "l1+ l2+ l3-", ("l3", "l1+ l2+ l3-", None)),
        ("reversed", "l3", "l1- l2+ l3-", ("l3", None, OTHER_WIRING)),
        ("dead", "l2", "l1+ l2+ l3+", ("l2", None, None)),
        ("same_leg", "l1+l2", None, ("l1+l2", None, NO_LEG)),
        ("dead", None, None, (None, None, NO_LEG)),
    ):
        assert wired(tmp_path, fault, leg, code) == expected, (fault, leg, code)
    assert wired(tmp_path, "legs_crossed", every, "l2+ l3+ l1+", 0.7) == (every, None, UNSURE)


def test_a_fault_that_is_over_is_not_put_right_by_tonights_wiring(tmp_path: Path) -> None:
    over = {"to_on": date(2026, 6, 1)}
    assert wired(tmp_path, "legs_crossed", "l1+l2+l3", "l2+ l3+ l1+", **over) == ("l1+l2+l3", None, UNSURE)
    assert wired(tmp_path, "legs_crossed", "l1+l3", "l1+ l2+ l3+", **over) == ("l1+l3", None, None)


def test_homes_of_two_lines_are_left_as_they_are(tmp_path: Path) -> None:
    assert wired(tmp_path, "legs_crossed", "both", "l2+ l1+", service="120/240") == ("both", None, None)


@pytest.mark.parametrize(
    ("pv_lines", "led", "factor"),
    [(None, 1, 3.0), (("l1",), 1, 1.0), (None, 2, UNKNOWN_FACTOR), (("l1", "l2"), 1, UNKNOWN_FACTOR)],
)
def test_what_production_makes_of_a_watt_is_told_by_the_other_lines(
    pv_lines: tuple[str, ...] | None, led: int, factor: float
) -> None:
    """Their slopes on what the exchanged lead of L1 shows; by another line's voltage it lies across, so unknown."""
    rng, size = np.random.default_rng(4), 14 * 96
    loads_w = 300 + rng.gamma(1.0, 150, (3, size))
    pv_w = np.where(np.arange(size) % 96 < 48, 0.0, rng.uniform(0, 6000, size))
    circuit = Circuit.from_powers(loads_w, pv_w, service="230/400", pv_lines=pv_lines)
    sound = Wiring.sound("230/400", pv_lines=pv_lines, production_leg=led)
    reading = measure(circuit, CATALOGUE["swapped_with_pv"].effect(sound, circuit, "l1", rng))
    starts = [datetime(2026, 6, 1) + timedelta(minutes=15 * step) for step in range(size)]
    inside = pl.DataFrame({
        "site_id": "a", "interval_start": starts, "pv_w": reading.pv_w, "service": "230/400", "is_upstream": True,
        "pv_kw": 6.0, **{f"l{line}_w": reading.line_w(line) for line in (1, 2, 3)},
        **{f"l{line}_v": 230.0 for line in (1, 2, 3)},
    })  # fmt: skip
    facts = {
        "is_added_back": False,
        "has_battery": False,
        "battery_w": None,
        "import_wh": None,
        "export_wh": None,
    }
    rows = inside.with_columns(longitude=0.0, **{name: pl.lit(value) for name, value in facts.items()})
    story = {"site_id": "a", "fault": "swapped_with_pv", "leg": "l1"}
    episodes = pl.DataFrame({name: [story.get(name)] for name in EPISODE.names()}, schema=EPISODE)

    found = find_witnesses(rows.clear(), rows.clear(), episodes, inside=rows, catalogue=CATALOGUE)

    assert found.production_factor == {"a": (factor,)}
