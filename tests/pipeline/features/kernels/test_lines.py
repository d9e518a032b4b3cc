"""A home's pairs of lines and their sum are what the oracle's SQL says of a home that has only these."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, time, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import polars.selectors as cs
import pytest
from day_oracle import build_day
from three_lines import FIRST, SETTINGS, Home, day_rows, sites_of, tables_of

from pipeline.core import sql_runner
from pipeline.core.contract import MEASURES
from pipeline.features.day_statistics import site_sky
from pipeline.features.kernels import day_tables as module
from pipeline.features.kernels.homes import compute_homes

US = {"volts": 120.0, "site": {"service": "120/208 three-phase"}}
CROSSED = Home("crossed", on=(1, 0, 2), **US)  # type: ignore[arg-type]
TURNED = Home("turned", signs=(1.0, -1.0, 1.0), has_meter=False, **US)  # type: ignore[arg-type]
TWO_LEGS = Home("two legs", third_from=99, site={"service": "120/240"}, volts=120.0)
LATE = Home("late", third_from=1, **US)  # type: ignore[arg-type]
UNITS = ("w", "v", "var")
# Which line stands for which leg; the oracle is told by hand.
PAIRS = {"23": ("l2", "l3"), "31": ("l3", "l1")}


def oracle(homes: Sequence[Home], rows: Mapping[str, Mapping[str, np.ndarray]], folder: Path) -> pl.DataFrame:
    """Return site_day by SQL, of homes with these channels."""
    frames = []
    for home in homes:
        channels = rows[home.site_id]
        start = [datetime.combine(FIRST, time()) + timedelta(minutes=15 * at) for at in range(96)]
        known = {name: channels[name] for name in MEASURES}
        frames.append(
            pl.DataFrame({"site_id": home.site_id, "interval_start": start, **known}).fill_nan(None)
        )
    con = sql_runner.connect(folder, SETTINGS.engine)
    sql_runner.keep(con, con.from_arrow(pl.concat(frames).to_arrow()), "interval_used")
    try:
        return build_day(con, site_sky(sites_of(homes), SETTINGS.day), SETTINGS.day, FIRST)[0]
    finally:
        con.close()


def hold_equal(found: pl.DataFrame, expected: pl.DataFrame) -> None:
    """Numbers to a part in 1e9 of the column, all else exactly."""
    assert found["site_id"].equals(expected["site_id"])
    for column in expected.select(cs.numeric()).columns:
        one, two = (frame[column].cast(pl.Float64) for frame in (found, expected))
        assert one.is_null().equals(two.is_null()), column
        left, right = (part.fill_null(0.0).to_numpy() for part in (one, two))
        least = 1e-9 * max(1.0, float(np.abs(right).max(initial=0.0)))
        np.testing.assert_allclose(left, right, rtol=1e-9, atol=least, err_msg=column)


@pytest.mark.parametrize("pair", ["23", "31"])
def test_a_pair_is_a_two_leg_home_of_these_lines(tmp_path: Path, pair: str) -> None:
    homes = [CROSSED, TURNED]
    rotated = {}
    for home in homes:
        channels = day_rows(home, 0)
        legs = zip(("l1", "l2"), PAIRS[pair], strict=True)
        rotated[home.site_id] = channels | {
            f"{leg}_{u}": channels[f"{line}_{u}"] for leg, line in legs for u in UNITS
        }

    lines = tables_of([*homes, TWO_LEGS], 0, tmp_path).line_day

    hold_equal(lines.filter(pl.col("pair") == pair), oracle(homes, rotated, tmp_path))


def test_the_sum_is_a_one_line_home_that_carries_all(tmp_path: Path) -> None:
    homes, nothing, summed = [CROSSED, TURNED], np.full(96, np.nan), {}
    for home in homes:
        channels = day_rows(home, 0)
        whole = {f"l1_{u}": sum(channels[f"{line}_{u}"] for line in ("l1", "l2", "l3")) for u in ("w", "var")}
        none = dict.fromkeys(("l1_v", "l2_v", "l2_w", "l2_var"), nothing)
        summed[home.site_id] = channels | whole | none

    lines = tables_of(homes, 0, tmp_path).line_day

    hold_equal(lines.filter(pl.col("pair") == "sum"), oracle(homes, summed, tmp_path))


def test_lines_1_and_2_are_the_homes_own_row_and_others_are_untouched(tmp_path: Path) -> None:
    mixed = tables_of([CROSSED, LATE, TWO_LEGS], 0, tmp_path)
    alone = tables_of([TWO_LEGS], 0, tmp_path)
    plain = oracle([CROSSED], {"crossed": day_rows(CROSSED, 0)}, tmp_path)

    hold_equal(mixed.site_day.filter(pl.col("site_id") == "crossed"), plain)
    is_two = pl.col("site_id") == "two legs"
    assert mixed.site_day.filter(is_two).equals(alone.site_day)
    assert mixed.site_hour.filter(is_two).drop("l3_w").equals(alone.site_hour)
    assert mixed.line_day["site_id"].unique().to_list() == ["crossed"]
    assert mixed.line_day["pair"].to_list() == ["23", "31", "sum"]


def test_a_fleet_without_a_third_line_has_no_row_and_no_column_of_it(tmp_path: Path) -> None:
    tables = tables_of([TWO_LEGS, LATE], 0, tmp_path)

    assert tables.line_day.is_empty()
    assert {*tables.line_day.columns} - {*tables.site_day.columns} == {"pair"}
    assert tables.line_day.drop("pair").schema == tables.site_day.schema
    assert "l3_w" not in tables.site_hour.columns


@pytest.mark.parametrize(
    ("site", "pairs"),
    [
        ({"service": "120/240"}, 0),  # a column that all homes of a source have
        ({"service": None}, 0),
        ({"service": "230/400"}, 3),  # an open lead
        ({"service": "230/400", "lines_summed": True}, 0),
    ],
)
def test_zeros_are_a_third_line_only_where_the_service_has_one(
    site: dict[str, object], pairs: int, tmp_path: Path
) -> None:
    assert tables_of([Home("zeros", is_third_zero=True, site=site)], 0, tmp_path).line_day.height == pairs


def test_one_channel_of_all_lines_has_no_third_beside_it(tmp_path: Path) -> None:
    home = Home("summed", site={"service": "230/400", "lines_summed": True})

    assert tables_of([home], 0, tmp_path).line_day.is_empty()


def test_hours_have_the_means_of_the_third_line_and_its_gaps_count(tmp_path: Path) -> None:
    rows = day_rows(CROSSED, 0)
    expected = rows["l3_w"].reshape(24, 4).mean(axis=1)

    hours = tables_of([CROSSED, TWO_LEGS], 0, tmp_path).site_hour

    own = hours.filter(pl.col("site_id") == "crossed")
    np.testing.assert_allclose(own["l3_w"].to_numpy(), expected, rtol=1e-6)
    assert own["minutes"].to_list() == [60] * 24
    assert hours.filter(pl.col("site_id") == "two legs")["l3_w"].null_count() == 24


@pytest.mark.parametrize("lacks", ["l2", "l3"])
def test_rows_without_a_line_have_no_sum_but_a_line_that_never_reads_is_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lacks: str
) -> None:
    """Half a day without one line: its pairs have half of the rows, and so has the sum; the other pair has all."""
    whole = module.of_homes

    def half_null(*given: object) -> object:
        rows = whole(*given)  # type: ignore[arg-type]
        values = rows.channels[f"{lacks}_w"]
        values[:48] = np.nan
        return rows

    monkeypatch.setattr(module, "of_homes", half_null)
    lines = tables_of([CROSSED], 0, tmp_path).line_day
    count = {row["pair"]: (row["n_l1"], row["n_l2"]) for row in lines.to_dicts()}
    expected = {
        "l2": {"23": (48, 96), "31": (96, 96), "sum": (48, 0)}, "l3": {"23": (96, 48), "31": (48, 96), "sum": (48, 0)}
    }  # fmt: skip
    assert count == expected[lacks]
    monkeypatch.undo()

    never = Home("never", lacks=("l1_w", "l1_v", "l1_var"), **US)  # type: ignore[arg-type]
    (row,) = tables_of([never], 0, tmp_path).line_day.filter(pl.col("pair") == "sum").to_dicts()
    channels = day_rows(never, 0)
    assert row["n_l1"] == 96
    assert row["l1_all_w"] == pytest.approx(float((channels["l2_w"] + channels["l3_w"]).sum()))


@pytest.mark.parametrize(
    ("volts", "service"), [(230.0, "230/400"), (230.0, ""), (120.0, "120/208 three-phase")]
)
def test_line_voltages_of_either_world_are_plausible(tmp_path: Path, volts: float, service: str) -> None:
    home = Home("a", volts=volts, site={"service": service or None})

    tables = tables_of([home, TWO_LEGS], 0, tmp_path)

    three = pl.concat([tables.site_day.filter(pl.col("site_id") == "a"), tables.line_day.drop("pair")])
    assert three["n_volt"].to_list() == [96, 96, 96, 0]
    assert three["l1_v_sum"][0] / 96 == pytest.approx(volts, rel=0.02)


def test_the_code_is_compiled_once_for_any_number_of_lines(tmp_path: Path) -> None:
    tables_of([TWO_LEGS], 0, tmp_path)
    tables_of([CROSSED, LATE, TWO_LEGS], 0, tmp_path)
    tables_of([CROSSED], 1, tmp_path)

    assert len(compute_homes.signatures) == 1
