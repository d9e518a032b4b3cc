"""The compiled statistics of a day are those of the oracle's SQL, whatever the rows look like."""

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
from day_oracle import build_day
from hypothesis import given, settings
from hypothesis import strategies as st
from lakes import CREWS, DAY, SITE_COLUMNS, build_lake, put
from stored_nights import rejects_of_days

from pipeline.core import sql_runner
from pipeline.core.contract import MEASURES
from pipeline.core.settings import load_settings
from pipeline.features.day_counts import DayCounts
from pipeline.features.day_statistics import site_sky
from pipeline.features.day_store import Store
from pipeline.features.kernels.homes import compute_homes
from pipeline.features.update_store import refresh_days
from pipeline.ingest import used_rows
from pipeline.ingest.intervals import load_day
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.storage.layout import LINE_TABLE, STORE_TABLES

SETTINGS = load_settings()
TWO_LEG_TABLES = [table for table in STORE_TABLES if table != LINE_TABLE]
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


Tables = Mapping[str, pl.DataFrame]


def stored(root: Path, homes: int = HOMES) -> tuple[Tables, DayCounts]:
    """Return the day's tables and counts as a night leaves them in its store, `homes` a shard."""
    own = SETTINGS.model_copy(update={"lake": SETTINGS.lake.model_copy(update={"homes_per_shard": homes})})
    with TemporaryDirectory() as folder:
        workdir = Path(folder)
        con, lake, store = sql_runner.connect(workdir, own.engine), open_lake(root), Store(workdir / "store")
        (done,) = refresh_days(
            con, lake, [DAY], registers=read_registers(lake, DAY), store=store, settings=own, workdir=workdir
        )
        con.close()
        tables = {
            name: pl.read_parquet(done.paths(store, name), hive_partitioning=False) for name in TWO_LEG_TABLES
        }
        tables["reject"] = rejects_of_days([done], lake, store)
        return tables, done.counts


def by_the_oracle(root: Path) -> tuple[Tables, DayCounts]:
    """Return the same by SQL over the day's rows, all of them sorted first."""
    with TemporaryDirectory() as folder:
        workdir = Path(folder)
        con, lake = sql_runner.connect(workdir, SETTINGS.engine), open_lake(root)
        registers = read_registers(lake, DAY)
        intake = load_day(con, lake, DAY, registers=registers, settings=SETTINGS, workdir=workdir)
        site_day, site_hour = build_day(con, site_sky(registers.sites, SETTINGS.day), SETTINGS.day, DAY)
        con.close()
        rejects = pl.concat([pl.read_parquet(path) for path in intake.reject_files])
        counts = DayCounts(
            intake.rows_in,
            intake.used,
            intake.duplicate,
            intake.rejected,
            len(intake.files),
            intake.unknown_homes,
        )
        return {"site_day": site_day, "site_hour": site_hour, "reject": rejects}, counts


# Sums over production of both signs, and the sum of its sizes.
SUMMED = {"pv_sin_w": "pv_abs_w", "pv_cos_w": "pv_abs_w"}


def hold_equal(fast: Tables, slow: Tables) -> None:
    """Hold two days' tables equal: numbers to a part in 1e9 (sums in another order), all else exactly."""
    for name in TWO_LEG_TABLES:
        one, two = fast[name], slow[name].select(fast[name].columns)
        assert len(fast[name].columns) == len(slow[name].columns)
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
@settings(max_examples=8, deadline=None)
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
    with TemporaryDirectory() as folder:
        root = build_lake(Path(folder) / "lake", sites=sites(), crews=CREWS)
        for number, part in enumerate([*parts, again]):
            if part:
                name = f"{number}.parquet" if number < files else late
                rows = pl.concat(part, how="diagonal")
                put(root, name, zipped(rows) if name.endswith("gz") else rows, arrived_h=number)
        compiled, counts = stored(root, homes=cut)
        oracle, same = by_the_oracle(root)

    assert counts == same
    hold_equal(compiled, oracle)


def test_rows_in_order_go_through_as_they_are_read_and_others_are_sorted_first(tmp_path: Path) -> None:
    """Both ways the rows add up, and a shard comes to the same whoever else is in it."""
    rng = np.random.default_rng(3)
    spoils = ("none", "gaps", "half null", "twice", "nan", "again later")
    days = [home_day(f"h{at:02d}", 15, set(), spoil, rng) for at, spoil in enumerate(spoils)]
    twice = days[5].head(3).with_columns(l1_w=pl.lit(55.0))
    root = build_lake(tmp_path / "lake", sites=sites())
    put(root, "a.parquet", pl.concat(days))

    in_order, counts = stored(root)
    assert (counts.rows_in, counts.duplicate, counts.rejected) == (sum(day.height for day in days), 2, 1)
    put(root, "late.parquet", twice, arrived_h=1)
    together, more = stored(root)
    alone, same = stored(root, homes=1)

    assert more == same
    assert (more.rows_in, more.duplicate, more.used) == (counts.rows_in + 3, 5, counts.used)
    assert all(together[name].equals(alone[name]) for name in TWO_LEG_TABLES)
    others = pl.col("site_id") != "h05"
    assert in_order["site_day"].filter(others).equals(together["site_day"].filter(others))
    assert not in_order["site_day"].equals(together["site_day"])


def test_the_code_is_compiled_once_whatever_the_registers_look_like(tmp_path: Path) -> None:
    """An array of another layout, or one that can't be written, would be another type: seconds of compiling."""
    rng = np.random.default_rng(6)
    days = pl.concat(home_day(f"h{at:02d}", 15, set(), "none", rng) for at in range(4))
    head, _, whole, *_ = sites().splitlines()
    alike = "\n".join([head, *(whole.replace("h01", f"h{at:02d}", 1) for at in range(4))]) + "\n"
    for name, register in (("some", sites()), ("all", alike)):
        root = build_lake(tmp_path / name, sites=register)
        put(root, "a.parquet", days.sample(fraction=1.0, shuffle=True, seed=1) if name == "all" else days)
        for homes in (HOMES, 1):
            assert stored(root, homes=homes)[1].used == days.height

    assert len(compute_homes.signatures) == 1


def test_homes_that_lie_across_batches_are_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows come a batch at a time; the last home of one goes on in the next."""
    monkeypatch.setattr(used_rows, "_ROWS_AT_ONCE", 100)
    rng = np.random.default_rng(5)
    days = pl.concat(home_day(f"h{at:02d}", 15, set(), "none", rng) for at in range(5))
    root = build_lake(tmp_path / "lake", sites=sites())
    put(root, "a.parquet", days.with_columns(pl.col(*set(MEASURES)).cast(pl.Float32)))

    compiled, counts = stored(root)
    oracle, same = by_the_oracle(root)

    assert counts == same
    hold_equal(compiled, oracle)
