"""The statement's tables: what adds up, what doesn't, and what was not put right."""

from __future__ import annotations

import polars as pl
import pytest
from corrected_homes import DAY, HOSTILE, episode, episodes

from pipeline.core.contract import PRIVATE
from pipeline.core.settings import Settings
from pipeline.correction.day_energy import read_energy
from pipeline.correction.energy_sums import HOURS, QUANTITIES
from pipeline.correction.statement import NO_ROWS, make_statement
from pipeline.correction.write_statement import KEPT

TABLES = (
    "statement",
    "statement_day",
    "statement_month",
    "statement_fleet",
    "statement_reason",
    "not_corrected",
)


@pytest.mark.parametrize("name", ["statement", "statement_month"])
def test_energies_and_hours_add_up_to_the_days(written, name: str) -> None:
    day = written.table("statement_day")
    summed = [
        *HOURS,
        *(f"{quantity}_kwh_{part}" for quantity in QUANTITIES for part in ("reported", "corrected")),
    ]
    for column in summed:
        assert written.table(name)[column].sum() == pytest.approx(day[column].sum(), abs=1e-3), column
        assert written.table("statement_fleet").row(0, named=True)[column] == pytest.approx(
            day[column].sum(), abs=1e-3
        )


def test_a_total_is_surer_than_its_days_and_holds_the_corrected_sum(written) -> None:
    half = pl.col("site_id") == "half"
    day, total = (written.table(name).filter(half) for name in ("statement_day", "statement"))
    assert day["use_kwh_low"].sum() < total["use_kwh_low"].item() < total["use_kwh_corrected"].item()
    assert total["use_kwh_corrected"].item() < total["use_kwh_high"].item() < day["use_kwh_high"].sum()
    assert total["use_kwh_difference"].item() == pytest.approx(
        (total["use_kwh_corrected"] - total["use_kwh_reported"]).item(), abs=1e-5
    )
    assert total["use_kwh_difference_low"].item() < total["use_kwh_difference"].item()


def test_a_fleet_is_surer_than_its_homes(written) -> None:
    homes, fleet = written.table("statement"), written.table("statement_fleet").row(0, named=True)
    assert homes["use_kwh_low"].sum() < fleet["use_kwh_low"] < fleet["use_kwh_corrected"]
    assert (fleet["fault"], fleet["homes"], fleet["days"]) == (None, 4, homes["days"].sum())


def test_an_exact_inverse_has_no_range(written) -> None:
    exact = written.table("statement").filter(site_id=HOSTILE).row(0, named=True)
    assert exact["use_kwh_low"] == exact["use_kwh_corrected"] == exact["use_kwh_high"]
    assert exact["use_kwh_reported"] == pytest.approx(-exact["use_kwh_corrected"])
    assert exact["import_kwh_corrected"] is None  # CTs around the loads


def test_a_reversed_leg_disagrees_with_the_meter_until_it_is_put_right(written) -> None:
    sunny = written.table("statement").filter(site_id="sunny").row(0, named=True)
    assert sunny["meter_net_kwh"] == pytest.approx(1.01 * sunny["net_kwh_corrected"], rel=1e-4)
    assert sunny["meter_off_share_corrected"] == pytest.approx(1 - 1 / 1.01, rel=1e-3)
    assert sunny["meter_off_share_reported"] == pytest.approx(1.0)


def test_reasons_have_their_hours(written) -> None:
    reason = written.table("statement_reason").filter(site_id="blind").sort("method")
    assert reason["method"].to_list() == ["empty", "estimated"]
    assert reason["hours"].to_list() == pytest.approx([11 * 30, 13 * 30])


def test_what_is_not_put_right_has_its_reason(settings: Settings, tmp_path) -> None:
    of = episodes(episode("a", why_not="a clock"), episode("b", from_on=DAY))
    energy, reasons = read_energy([], of, settings, workdir=tmp_path, kept=tmp_path / KEPT)
    made = make_statement(energy, reasons, of)

    assert made.not_corrected.select("site_id", "fault_title", "reason").rows() == [
        ("a", "CT reversed", "a clock"), ("b", "CT reversed", NO_ROWS),
    ]  # fmt: skip
    assert made.episode.height == made.day.height == 0


@pytest.mark.parametrize("name", TABLES)
def test_both_kinds_of_file_hold_the_same_and_nothing_private(written, name: str) -> None:
    table, text = written.table(name), (written.folder / f"{name}.csv").read_text(encoding="utf-8")
    assert table.height > 0
    assert text.splitlines()[0].split(",") == table.columns
    assert set(table.columns) & set(PRIVATE["sites"]) == set()
    assert "Secret Lane" not in text


def test_a_text_that_a_spreadsheet_would_run_is_disarmed(tmp_path, settings: Settings) -> None:
    from pipeline.correction.write_statement import write_tables

    of = episodes(episode("=1+1", why_not="none"))
    energy, reasons = read_energy([], of, settings, workdir=tmp_path, kept=tmp_path / KEPT)
    write_tables(tmp_path, make_statement(energy, reasons, of))
    assert "'=1+1" in (tmp_path / "not_corrected.csv").read_text(encoding="utf-8")
