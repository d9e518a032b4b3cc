"""Energy of rows whose sums a person can work out, and intervals that hold what they say in invented draws."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from corrected_homes import DAY, corrected_rows, episode, episodes, write_days

from pipeline.core.quantiles import Z95
from pipeline.core.settings import Settings
from pipeline.correction.day_energy import read_energy
from pipeline.correction.energy_sums import add_episodes, add_up, energy_columns
from pipeline.correction.layout import ESTIMATED
from pipeline.correction.statement_words import meter
from pipeline.storage.layout import CORRECTED_SUMS

NEXT = DAY + timedelta(days=1)


def sums(
    folder: Path, settings: Settings, *frames: pl.DataFrame, of: list[dict[str, Any]]
) -> list[dict[str, Any]]:
    """Return a row a home and day of the rows with these episodes."""
    energy, _ = read_energy(
        write_days(folder, *frames), episodes(*of), settings, workdir=folder, kept=folder / CORRECTED_SUMS
    )
    return energy.to_dicts()


def kwh(row: dict[str, Any], name: str) -> tuple[Any, Any]:
    return row[f"{name}_reported"], row[f"{name}_corrected"]


def test_a_reversed_leg_reads_100_w_less_instead_of_500_w(tmp_path: Path, settings: Settings) -> None:
    (row,) = sums(tmp_path, settings, corrected_rows(), of=[episode()])

    assert kwh(row, "net") == pytest.approx((-2.4, 12.0))
    assert (row["hours"], row["hours_exact"], row["hours_covered"], row["hours_empty"]) == (24, 24, 24, None)


@pytest.mark.parametrize("minutes", [5, 15, 60])
def test_the_length_of_an_interval_comes_from_the_rows(
    tmp_path: Path, settings: Settings, minutes: int
) -> None:
    mixed = [corrected_rows("a", minutes=minutes), corrected_rows("b", minutes=30)]
    rows = sums(tmp_path, settings, *mixed, of=[episode("a"), episode("b")])

    assert [kwh(row, "net") for row in rows] == [pytest.approx((-2.4, 12.0))] * 2


def test_a_lone_row_has_the_usual_length_and_a_gap_no_energy(tmp_path: Path, settings: Settings) -> None:
    lone, gap = corrected_rows("a").head(1), corrected_rows("b")[:8].vstack(corrected_rows("b")[40:48])
    rows = sums(tmp_path, settings, lone, gap, of=[episode("a"), episode("b")])

    assert [row["hours"] for row in rows] == [settings.day.default_length_min / 60, 4.0]
    assert rows[1]["net_corrected"] == pytest.approx(0.5 * 4)


def test_behind_upstream_cts_the_home_also_used_production_and_battery(
    tmp_path: Path, settings: Settings
) -> None:
    frames = [corrected_rows(site, pv_w=1000.0, battery_w=-250.0) for site in "abc"]
    rows = sums(
        tmp_path, settings, *frames,
        of=[episode("a"), episode("b", is_upstream=False), episode("c", is_added_back=True)],
    )  # fmt: skip

    assert [kwh(row, "use") for row in rows] == [
        pytest.approx((24 * 0.65, 24 * 1.25)), pytest.approx((-2.4, 12.0)), pytest.approx((-2.4, 12.0)),
    ]  # fmt: skip
    assert [row["hours_flow"] for row in rows] == [24, None, None]


def test_use_is_unknown_where_the_battery_or_the_position_is(tmp_path: Path, settings: Settings) -> None:
    frames = [corrected_rows(site, pv_w=1000.0) for site in "ab"]
    rows = sums(
        tmp_path, settings, *frames, of=[episode("a", has_battery=True), episode("b", is_upstream=None)]
    )

    assert [(row["hours_use"], row["use_corrected"], row["hours_covered"]) for row in rows] == [
        (None, None, 24)
    ] * 2
    assert [row["import_corrected"] for row in rows] == [pytest.approx(12.0), None]


def test_import_and_export_are_the_two_sides_of_zero(tmp_path: Path, settings: Settings) -> None:
    half = [300.0] * 48 + [-700.0] * 48
    (row,) = sums(
        tmp_path, settings, corrected_rows(l1_w=half, l1_w_reported=[-w for w in half]), of=[episode()]
    )

    assert kwh(row, "import") == pytest.approx((12 * 0.9, 12 * 0.5))
    assert kwh(row, "export") == pytest.approx((12 * 0.1, 12 * 0.5))
    assert row["net_corrected"] == pytest.approx(row["import_corrected"] - row["export_corrected"])


def test_hours_left_empty_are_in_neither_sum(tmp_path: Path, settings: Settings) -> None:
    gone = [at < 24 for at in range(96)]
    rows = corrected_rows(
        l1_w=[None if empty else 300.0 for empty in gone],
        method=["empty" if empty else "exact" for empty in gone],
        reason=["no reading" if empty else None for empty in gone],
    )
    (row,) = sums(tmp_path, settings, rows, of=[episode()])

    assert kwh(row, "net") == pytest.approx((-1.8, 9.0))
    assert (row["hours_empty"], row["hours_covered"], row["empty_reported"]) == (6, 18, pytest.approx(-0.6))


def test_a_home_of_one_leg_has_no_other(tmp_path: Path, settings: Settings) -> None:
    frames = [corrected_rows(site, l2_w=None, l2_w_reported=None) for site in "ab"]
    rows = sums(tmp_path, settings, *frames, of=[episode("a", service="single"), episode("b")])

    assert [row["net_corrected"] for row in rows] == [pytest.approx(7.2), None]


def test_production_is_put_right_too(tmp_path: Path, settings: Settings) -> None:
    (row,) = sums(tmp_path, settings, corrected_rows(pv_w=1000.0, pv_w_reported=-40.0), of=[episode()])

    assert kwh(row, "production") == pytest.approx((-0.96, 24.0))
    assert kwh(row, "use") == pytest.approx((24 * (0.1 - 0.2 - 0.04), 24 * 1.5))


def test_only_days_of_an_episode_count_each_for_its_own(tmp_path: Path, settings: Settings) -> None:
    days = [DAY + timedelta(days=at) for at in range(12)]  # more than are read at once
    last = DAY + timedelta(days=9)
    frames = [corrected_rows("a", day) for day in days]
    of = [episode("a", to_on=DAY), episode("a", from_on=DAY + timedelta(days=2), to_on=last), episode("b")]
    rows = sums(tmp_path, settings, *frames, of=of)

    assert [row["day"] for row in rows] == [DAY, *days[2:10]]
    assert [row["from_on"] for row in rows] == [DAY] + [days[2]] * 8


def test_no_files_are_no_rows(tmp_path: Path, settings: Settings) -> None:
    energy, reasons = read_energy(
        [], episodes(episode()), settings, workdir=tmp_path, kept=tmp_path / CORRECTED_SUMS
    )

    assert (energy.height, reasons.height) == (0, 0)


def test_the_meter_is_compared_with_net_wherever_the_cts_are(tmp_path: Path, settings: Settings) -> None:
    # 500 W used, 400 W made, 100 W from the battery: net 0, a meter that counts 25 Wh each way an hour
    given = {"pv_w": 400.0, "battery_w": 100.0, "import_wh": 6.25, "export_wh": 6.25}
    upstream = corrected_rows("a", l1_w=0.0, l2_w=0.0, l1_w_reported=100.0, l2_w_reported=0.0, **given)
    rows = sums(
        tmp_path, settings, upstream, corrected_rows("b", **given), corrected_rows("c", **given),
        of=[episode("a"), episode("b", is_upstream=False), episode("c", is_added_back=True)],
    )  # fmt: skip

    assert [row["meter_net_corrected"] for row in rows] == [pytest.approx(0.0)] * 3
    assert [row["meter_net_reported"] for row in rows] == [pytest.approx(w) for w in (2.4, -14.4, -14.4)]
    assert [row["meter_off_reported"] for row in rows] == [pytest.approx(w) for w in (2.4, 14.4, 14.4)]
    assert [(row["meter_import"], row["meter_export"]) for row in rows] == [pytest.approx((0.6, 0.6))] * 3
    assert {row["hours_meter"] for row in rows} == {24}


def test_a_reading_worked_out_from_the_meter_proves_nothing_against_it(
    tmp_path: Path, settings: Settings
) -> None:
    meter = {"import_wh": 125.0, "export_wh": 0.0}
    frames = [
        corrected_rows("a", method=ESTIMATED, **meter),
        corrected_rows("b", method=ESTIMATED, l1_w=310.0, **meter),
        corrected_rows("c", **meter),
    ]
    rows = sums(tmp_path, settings, *frames, of=[episode("a"), episode("b"), episode("c")])

    assert [(row["hours_meter"], row["hours_by_meter"]) for row in rows] == [
        (None, 24),
        (24, None),
        (24, None),
    ]


def test_an_estimate_that_agrees_with_the_meter_by_chance_is_not_spoken_of(
    tmp_path: Path, settings: Settings
) -> None:
    watts = [300.0 if at == 7 else 310.0 for at in range(96)]
    rows = corrected_rows(method=ESTIMATED, l1_w=watts, import_wh=125.0, export_wh=0.0)
    (row,) = sums(tmp_path, settings, rows, of=[episode()])
    assert (row["hours_meter"], row["hours_by_meter"]) == (23.75, 0.25)

    named = {
        "meter_import_kwh": 1.0,
        "meter_export_kwh": 0.0,
        "meter_net_kwh": 1.0,
        "meter_net_kwh_reported": 1.0,
    }
    named |= {
        "meter_net_kwh_corrected": 1.0,
        "meter_off_share_reported": 0.1,
        "meter_off_share_corrected": 0.1,
    }
    assert "worked out from this meter" not in " ".join(meter(row | named))
    assert "worked out from this meter" in " ".join(meter(row | named | {"hours_by_meter": 12.0}))


def test_an_interval_by_hand(tmp_path: Path, settings: Settings) -> None:
    bounds = {"sum_w_low": 400.0, "sum_w_high": 650.0, "sum_w_scatter": 20.0}
    energy, _ = read_energy(
        write_days(tmp_path, corrected_rows(**bounds), corrected_rows(day=NEXT, **bounds)),
        episodes(episode(is_upstream=False)), settings, workdir=tmp_path, kept=tmp_path / CORRECTED_SUMS,
    )  # fmt: skip
    day = energy.row(0, named=True)
    # 100 W below and 150 W above over a day; 20 W for an hour, 24 times
    assert (day["net_below"], day["net_above"]) == (pytest.approx(2.4), pytest.approx(3.6))
    assert day["net_variance"] == pytest.approx(24 * 0.02**2)

    total = add_up(energy, ["site_id", "from_on"])
    found = total.select(**energy_columns("use")).row(0, named=True)
    scatter = Z95**2 * 48 * 0.02**2
    assert found["use_kwh_low"] == pytest.approx(24 - (4.8**2 + scatter) ** 0.5, abs=1e-6)
    assert found["use_kwh_high"] == pytest.approx(24 + (7.2**2 + scatter) ** 0.5, abs=1e-6)

    two = pl.concat([total, total.with_columns(site_id=pl.lit("b"))]).with_columns(fault=pl.lit("reversed"))
    fleet = add_episodes(two, ["fault"]).select("homes", "days", **energy_columns("use")).row(0, named=True)
    assert (fleet["homes"], fleet["days"]) == (2, 4)
    assert fleet["use_kwh_low"] == pytest.approx(48 - (2 * (4.8**2 + scatter)) ** 0.5, abs=1e-6)


def test_import_never_lies_below_zero(tmp_path: Path, settings: Settings) -> None:
    rows = corrected_rows(l1_w=1.0, l2_w=0.0, sum_w_low=-400.0, sum_w_high=400.0, sum_w_scatter=100.0)
    files, of = write_days(tmp_path, rows), episodes(episode())
    energy, _ = read_energy(files, of, settings, workdir=tmp_path, kept=tmp_path / CORRECTED_SUMS)
    found = energy.select(**energy_columns("import"), **energy_columns("net")).row(0, named=True)

    assert found["import_kwh_low"] == 0
    assert found["net_kwh_low"] < 0


DRAWS, FACTOR_SD, SCATTER_W = 400, 0.04, 120.0


@pytest.mark.parametrize("memory", ["an hour", "fading"])
def test_ninety_five_of_a_hundred_intervals_hold_the_truth(
    tmp_path: Path, settings: Settings, memory: str
) -> None:
    """Homes whose readings err by a factor of their own and by an error that is remembered for an hour, or fades."""
    rng = np.random.default_rng(16)
    count, per_hour, days = 96, 4, 4
    use = 400 + 300 * np.sin(np.arange(count * days) / count * 2 * np.pi) ** 2
    factor = 1 + FACTOR_SD * rng.standard_normal((DRAWS, 1))
    if memory == "an hour":
        noise = np.repeat(rng.standard_normal((DRAWS, days * 24)), per_hour, axis=1)
    else:  # autocorrelation a^lag that sums to an hour, both sides: (1 + a) / (1 - a) = 4 quarters of an hour
        keep = (per_hour - 1) / (per_hour + 1)
        noise = rng.standard_normal((DRAWS, count * days))
        for at in range(1, count * days):
            noise[:, at] = keep * noise[:, at - 1] + (1 - keep**2) ** 0.5 * noise[:, at]
    read = use * factor + SCATTER_W * noise
    frames = []
    for home in range(DRAWS):
        for at in range(days):
            part = read[home, at * count : (at + 1) * count]
            reach = Z95 * FACTOR_SD * use[at * count : (at + 1) * count]
            frames.append(
                corrected_rows(
                    f"home {home:03}", DAY + timedelta(days=at), l1_w=part.tolist(), l2_w=0.0,
                    sum_w_low=(part - reach).tolist(), sum_w_high=(part + reach).tolist(), sum_w_scatter=SCATTER_W,
                )
            )  # fmt: skip
    of = episodes(*(episode(f"home {home:03}", is_upstream=False) for home in range(DRAWS)))
    energy, _ = read_energy(
        write_days(tmp_path, *frames), of, settings, workdir=tmp_path, kept=tmp_path / CORRECTED_SUMS
    )

    total = add_up(energy, ["site_id", "from_on"]).select(**energy_columns("use"))
    truth = use.sum() / per_hour / 1000
    share = total.select(pl.lit(truth).is_between("use_kwh_low", "use_kwh_high").mean()).item()
    assert 0.93 <= share <= 0.97
    day = energy.with_columns(truth=pl.lit(use[:count].sum() / per_hour / 1000), **energy_columns("use"))
    assert (
        0.93 <= day.select(pl.col("truth").is_between("use_kwh_low", "use_kwh_high").mean()).item() <= 0.975
    )
    # neither error alone would do
    both = add_up(energy, ["site_id", "from_on"])
    for reach in (pl.col("use_below"), Z95 * pl.col("use_variance").sqrt()):
        assert both.select(((pl.col("use_corrected") - truth).abs() <= reach).mean()).item() < 0.93
