"""The fast way of tidy homes gives what the day's SQL gives, whatever the rows look like."""

from __future__ import annotations

import gzip
from collections.abc import Mapping
from datetime import datetime, time, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import polars as pl
import polars.selectors as cs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lakes import CREWS, DAY, SITE_COLUMNS, build_lake, put
from stored_nights import rejects_of_days

from pipeline.core import sql_runner
from pipeline.core.contract import MEASURES
from pipeline.core.settings import load_settings
from pipeline.features import day_tasks
from pipeline.features.day_store import DayCounts, Store
from pipeline.features.kernels import TidyDay, take_tidy
from pipeline.features.kernels.homes import check_homes, work_out
from pipeline.features.update_store import refresh_days
from pipeline.ingest.lake import LakeFile, open_lake
from pipeline.ingest.registers import read_registers
from pipeline.storage.layout import STORE_TABLES

SETTINGS = load_settings()
MIDNIGHT = datetime.combine(DAY, time())
HOMES = 12
SERVICES = ("120/240", "120/208", "single", "")
CHANNELS = ("l2_w", "pv_w", "battery_w", "l1_v", "l1_var", "import_wh")
SPOILS = (
    "none", "none", "none", "gaps", "half null", "nan", "too much", "twice", "again later", "backwards",
    "two lengths", "few", "half minutes", "other day", "stranger",
)  # fmt: skip


def sites() -> str:
    """A register with every service, places that are not known and arrays that are not either."""
    lines = [
        f"h{at:02d},{'America/Denver' if at % 5 else ''},{39.7 if at % 3 else ''},{-105.0 if at % 3 else ''},north,"
        f"{SERVICES[at % 4]},200,{7.6 if at % 4 else ''},{('true', 'false', '')[at % 3]},c1,"
        for at in range(HOMES)
    ]
    return f"{SITE_COLUMNS},commissioned_on\n" + "\n".join(lines) + "\n"


def home_day(site: str, minutes: int, lacks: set[str], spoil: str, rng: np.random.Generator) -> pl.DataFrame:
    """One home's day: loads that step, clouds, a leg that is dead for an hour; then spoilt in one way."""
    count = 1440 // minutes
    hour = (np.arange(count) * minutes / 60 + 17) % 24  # Denver's clock
    pv = np.round(np.clip(np.sin((hour - 6) / 12 * np.pi), 0, None) * 5000 * rng.uniform(0.2, 1, count), 1)
    step = np.repeat(rng.choice([0.0, 0.0, 900.0, 2500.0], count // 4 + 1), 4)[:count]
    battery = np.where(hour > 20, 800.0, 0.0) * (rng.random() < 0.5)
    legs = [np.round(rng.gamma(2, 90, count) + step - pv / 2, 1) for _ in range(2)]
    legs[1][: count // 24] = 0.0
    values = {
        "l1_w": legs[0], "l2_w": legs[1], "pv_w": pv, "battery_w": battery,
        "l1_v": 120 - legs[0] / 4000, "l2_v": 120 - legs[1] / 4000 + 60 * (rng.random(count) < 0.02),
        "l1_var": 0.2 * legs[0], "l2_var": 0.3 * legs[1],
        "import_wh": np.clip(sum(legs), 0, None) * minutes / 60,
        "export_wh": np.clip(-sum(legs), 0, None) * minutes / 60,
    }  # fmt: skip
    for name in lacks:
        values.pop(name)
    start = [MIDNIGHT + timedelta(minutes=minutes * at) for at in range(count)]
    frame = pl.DataFrame({"site_id": site, "interval_start": start, **values})
    frame = frame.with_columns(pl.col("interval_start").cast(pl.Datetime("us")))
    keep = rng.random(count) < 0.9
    first = pl.int_range(pl.len()) == 3
    match spoil:
        case "gaps":
            return frame.filter(pl.Series(keep))
        case "half null":
            return frame.with_columns(pl.when(pl.Series(keep)).then(pl.col("l1_w")).alias("l1_w"))
        case "nan":
            return frame.with_columns(pl.when(first).then(float("nan")).otherwise("l1_w").alias("l1_w"))
        case "too much":
            return frame.with_columns(pl.when(first).then(1e6).otherwise("l1_w").alias("l1_w"))
        case "twice":
            return pl.concat([frame, frame.head(2).with_columns(l1_w=pl.lit(77.0))])
        case "backwards":
            return frame.reverse()
        case "two lengths":
            return pl.concat([frame.head(count // 2), frame.tail(count // 2).gather_every(2)])
        case "few":
            return frame.head(int(rng.integers(0, 4)))
        case "half minutes":
            return frame.with_columns(pl.col("interval_start") + pl.duration(seconds=30))
        case "other day":
            return frame.with_columns(pl.col("interval_start") + pl.duration(minutes=minutes))
        case "stranger":
            return frame.with_columns(site_id=pl.lit("nobody"))
    return frame


def zipped(rows: pl.DataFrame) -> bytes:
    return gzip.compress(rows.write_csv(datetime_format="%Y-%m-%dT%H:%M:%SZ").encode())


def stored(
    root: Path, monkeypatch: pytest.MonkeyPatch, *, is_fast: bool, homes: int = HOMES
) -> tuple[Mapping[str, pl.DataFrame], DayCounts, int]:
    """Return the day's tables and counts as a night leaves them in its store, and the rows the fast way took."""
    taken = []

    def first(con: object, files: Mapping[LakeFile, Path], *others: object) -> TidyDay:
        day = (
            take_tidy(con, files, *others)
            if is_fast
            else TidyDay(pl.DataFrame(), pl.DataFrame(), 0, frozenset(files), dict(files))
        )  # type: ignore[arg-type]
        taken.append(day.rows)
        return day

    monkeypatch.setattr(day_tasks, "take_tidy", first)
    own = SETTINGS.model_copy(update={"lake": SETTINGS.lake.model_copy(update={"homes_per_shard": homes})})
    with TemporaryDirectory() as folder:
        workdir = Path(folder)
        con, lake, store = sql_runner.connect(workdir, own.engine), open_lake(root), Store(workdir / "store")
        (done,) = refresh_days(con, lake, [DAY], read_registers(lake, DAY), store, own, workdir)
        con.close()
        tables = {
            name: pl.read_parquet(done.paths(store, name), hive_partitioning=False) for name in STORE_TABLES
        }
        tables["reject"] = rejects_of_days([done], lake, store)
        return tables, done.counts, sum(taken)


# Sums over production of both signs, and the sum of its sizes.
SUMMED = {"pv_sin_w": "pv_abs_w", "pv_cos_w": "pv_abs_w"}


def hold_equal(fast: Mapping[str, pl.DataFrame], slow: Mapping[str, pl.DataFrame]) -> None:
    """Hold two days' tables equal: numbers to a part in 1e9 (sums in another order), all else exactly."""
    for name in STORE_TABLES:
        one, two = fast[name], slow[name]
        assert one.schema == two.schema
        assert one.select(cs.exclude(cs.float())).equals(two.select(cs.exclude(cs.float()))), name
        for column in one.select(cs.float()).columns:
            assert one[column].is_null().equals(two[column].is_null()), column
            left, right = (part[column].fill_null(0.0).to_numpy() for part in (one, two))
            reach = 1e-9 if one.schema[column] == pl.Float64 else 1e-6
            # What cancels is right to a part in 1e9 of what was summed.
            summed = one[SUMMED[column]].fill_null(0.0).to_numpy() if column in SUMMED else np.ones(1)
            least = reach * max(1.0, float(np.abs(summed).max(initial=0.0)))
            np.testing.assert_allclose(left, right, rtol=reach, atol=least, err_msg=column)


@pytest.mark.heavy
@settings(max_examples=15, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    homes=st.lists(
        st.tuples(
            st.sampled_from((5, 15, 30, 60)), st.sets(st.sampled_from(CHANNELS)), st.sampled_from(SPOILS)
        ),
        min_size=1,
        max_size=HOMES,
    ),
    files=st.integers(1, 3),
    cut=st.sampled_from((HOMES, 5, 1)),
    late=st.sampled_from(("late.parquet", "late.csv", "late.csv.gz", "fine.parquet")),
)
def test_whatever_the_rows(
    seed: int, homes: list[tuple[int, set[str], str]], files: int, cut: int, late: str
) -> None:
    """Homes lack channels, are spoilt in one way or are tidy; some rows come again in a later file of any kind."""
    rng = np.random.default_rng(seed)
    parts: list[list[pl.DataFrame]] = [[] for _ in range(files)]
    again = []
    for at, (minutes, lacks, spoil) in enumerate(homes):
        day = home_day(f"h{at:02d}", minutes, lacks, spoil, rng)
        parts[at * files // len(homes)].append(day)
        if spoil == "again later":
            some = day.head(3).with_columns(l1_w=pl.lit(55.0))
            again.append(some.cast({"interval_start": pl.Datetime("ns")}) if late == "fine.parquet" else some)
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as monkeypatch:
        root = build_lake(Path(folder) / "lake", sites=sites(), crews=CREWS)
        for number, part in enumerate([*parts, again]):
            if part:
                name = f"{number}.parquet" if number < files else late
                rows = pl.concat(part, how="diagonal")
                put(root, name, zipped(rows) if name.endswith("gz") else rows, arrived_h=number)
        fast, counts, taken = stored(root, monkeypatch, is_fast=True, homes=cut)
        slow, same, none = stored(root, monkeypatch, is_fast=False)

    assert (counts, none) == (same, 0)
    assert taken <= counts.used
    hold_equal(fast, slow)


def test_tidy_homes_are_taken_and_only_they(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    days = [
        home_day(f"h{at:02d}", 15, set(), spoil, rng)
        for at, spoil in enumerate(("none", "gaps", "half null", "twice", "nan"))
    ]
    root = build_lake(tmp_path / "lake", sites=sites())
    put(root, "a.parquet", pl.concat(days))

    fast, counts, taken = stored(root, monkeypatch, is_fast=True)
    alone, same, _ = stored(root, monkeypatch, is_fast=True, homes=1)

    assert taken == sum(day.height for day in days[:3])
    assert (counts.rows_in, counts.duplicate, counts.rejected) == (sum(day.height for day in days), 2, 1)
    assert counts == same
    assert all(fast[name].equals(alone[name]) for name in STORE_TABLES)


def test_the_code_is_compiled_once_whatever_the_registers_look_like(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An array of another layout, or one that can't be written, would be another type: seconds of compiling."""
    rng = np.random.default_rng(6)
    days = pl.concat(home_day(f"h{at:02d}", 15, set(), "none", rng) for at in range(4))
    head, _, whole, *_ = sites().splitlines()
    alike = "\n".join([head, *(whole.replace("h01", f"h{at:02d}", 1) for at in range(4))]) + "\n"
    for name, register in (("some", sites()), ("all", alike)):
        root = build_lake(tmp_path / name, sites=register)
        put(root, "a.parquet", days)
        for homes in (HOMES, 1):
            assert stored(root, monkeypatch, is_fast=True, homes=homes)[2] == days.height

    assert len(check_homes.signatures) == len(work_out.signatures) == 1


def test_a_file_sorted_by_time_is_left_to_the_sql(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    days = pl.concat(home_day(f"h{at:02d}", 15, set(), "none", rng) for at in range(4))
    root = build_lake(tmp_path / "lake", sites=sites())
    put(root, "a.parquet", days.sort("interval_start", "site_id"))

    fast, counts, taken = stored(root, monkeypatch, is_fast=True)

    assert (taken, counts.used) == (0, days.height)
    assert fast["site_day"].height == 4


def test_runs_that_lie_across_stretches_of_a_file_are_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file is read a stretch at a time; the last home of one goes on in the next."""
    monkeypatch.setattr("pipeline.features.kernels.take._BATCH_ROWS", 100)
    rng = np.random.default_rng(5)
    days = pl.concat(home_day(f"h{at:02d}", 15, set(), "none", rng) for at in range(5))
    root = build_lake(tmp_path / "lake", sites=sites())
    put(root, "a.parquet", days.with_columns(pl.col(*set(MEASURES)).cast(pl.Float32)))

    fast, counts, taken = stored(root, monkeypatch, is_fast=True)
    slow, same, _ = stored(root, monkeypatch, is_fast=False)

    assert (taken, counts) == (days.height, same)
    hold_equal(fast, slow)
