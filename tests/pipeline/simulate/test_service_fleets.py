"""Fleets of one service, of every family: their columns, their powers beside the meter's, and what the truth says."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from pipeline.core.contract import PV_BY_LINE, THIRD_LINE
from pipeline.core.errors import InputError
from pipeline.core.services import BOTH, LINES, SERVICES, service_of
from pipeline.evaluation.validation.truth import read_truth
from pipeline.faults.catalogue import CATALOGUE
from pipeline.simulate.families.fleet import write_unlike_lake
from pipeline.simulate.families.spec import UnlikeSpec
from pipeline.simulate.fleet import simulate_home
from pipeline.simulate.home import clean_home
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec, HomeRecord, Wish

NEW = ("230", "230/400", "120/208 three-phase")
THREE = NEW[1:]


def homes(service: str, **spec: object) -> list[HomeRecord]:
    asked = {"sites": 14, "days": 3, "seed": 5, "register_gap_share": 0.0, "hard_share": 0.0} | spec
    fleet = FleetSpec(service=service, **asked)
    return [simulate_home(fleet, number) for number in range(fleet.sites)]


def produced_w(home: HomeRecord) -> pl.Series:
    """Return production [W], from its lines where the source gives no sum."""
    parts = [name for name in PV_BY_LINE if name in home.readings.columns]
    return home.readings.select(pl.sum_horizontal(parts) if parts else "pv_w").to_series()


@pytest.mark.parametrize("service", SERVICES)
def test_every_home_of_a_fleet_of_one_service_has_it_and_a_reading_a_line(service):
    known = service_of(service)
    for home in homes(service, fault_share=0.6):
        assert home.site["service"] == service
        fault = CATALOGUE.get(home.truth["fault"])
        assert home.truth["leg"] in (fault.legs_on(service) if fault else (None,))
        has_readings = [
            line for line in LINES if home.readings.get_column(f"{line}_w", default=None) is not None
        ]
        assert [line for line in has_readings if home.readings[f"{line}_w"].count()] == list(known.lines)
        assert set(THIRD_LINE) <= set(home.readings.columns) or known.line_count < 3
        volts = home.readings["l1_v"].drop_nulls().filter(home.readings["l1_v"].drop_nulls() > 0)
        assert volts.is_empty() or abs(volts.median() / known.volts - 1) < 0.08


@pytest.mark.parametrize("service", NEW)
def test_what_right_cts_at_the_entrance_read_is_what_the_meter_counts(service):
    wish = Wish(fault="", hard="", values=(("sees_pv", True), ("pv_added_back", False), ("is_plain", False)))
    spec = FleetSpec(sites=14, days=3, seed=5, service=service)
    counted = 0
    for number in range(spec.sites):
        rows = simulate_home(spec, number, wish).readings.drop_nulls("import_wh")
        read_w = rows.select(
            pl.sum_horizontal(pl.col(name) for name in rows.columns if name in {"l1_w", "l2_w", "l3_w"})
        )
        net_w = (rows["import_wh"] - rows["export_wh"]) * 4
        if rows.height:
            counted += 1
            apart = np.abs(read_w.to_series() - net_w).median()
            assert apart < 0.05 * np.abs(net_w).median() + 40
    assert counted > 3


@pytest.mark.parametrize("service", THREE)
def test_the_sun_shows_on_the_lines_that_the_inverter_feeds(service):
    spec = FleetSpec(sites=24, days=3, seed=5, service=service)
    seen = set()
    for number in range(spec.sites):
        home = clean_home(spec, number, Wish(hard="", values=(("battery_wh", 0.0),)))
        fed_w = home.circuit.source_va.real.mean(axis=1)
        right = [home.pv_w.mean() / len(home.plan.pv_lines) * (line in home.plan.pv_lines) for line in LINES]
        np.testing.assert_allclose(fed_w, right, rtol=0.02, atol=1e-6)
        assert home.plan.pv_on in (None, "all" if home.plan.pv_leg == BOTH else home.plan.pv_leg)
        seen.add(len(home.plan.pv_lines) if home.plan.array else 0)
    assert len(seen - {0}) > 1


@pytest.mark.parametrize("service", THREE)
def test_some_sources_give_production_by_line_and_no_sum(service):
    by_line = [home for home in homes(service, sites=24) if set(PV_BY_LINE) & set(home.readings.columns)]
    assert by_line
    for home in by_line:
        assert home.readings["pv_w"].null_count() == home.readings.height
        assert 100 < produced_w(home).max() < 1300 * home.site["pv_kw"]


def test_a_lake_says_the_wiring_and_the_inverters_lines_only_where_there_are_three(tmp_path):
    for service in ("230/400", "120/240"):
        write_lake(FleetSpec(sites=12, days=2, seed=3, service=service, fault_share=0.4), tmp_path / service)
    three, two = tmp_path / "230/400", tmp_path / "120/240"
    truth = read_truth(three / "truth.csv")
    assert truth["wiring"].str.contains(r"^\S+ \S+ \S+$").all()
    sound = truth.filter(pl.col("fault") == "sound")["wiring"]
    assert set(sound) == {"l1+ l2+ l3+"}
    assert "pv_on" in pl.read_csv(three / "sites.csv").columns
    assert not {"pv_on", "wiring"} & set(
        pl.read_csv(two / "sites.csv").columns + read_truth(two / "truth.csv").columns
    )
    day = next(two.glob("intervals/*/*.parquet"))
    assert not set(THIRD_LINE) & set(pl.read_parquet_schema(day))


@pytest.mark.parametrize("family", ["weather", "measured", "crest"])
@pytest.mark.parametrize("service", NEW)
def test_every_family_makes_fleets_of_other_services(tmp_path, family, service):
    spec = UnlikeSpec(
        8, 5, family=family, service=service, seed=3, fault_share=0.4, with_volts=True, end=date(2026, 9, 1)
    )
    write_unlike_lake(spec, tmp_path / "lake")
    rows = pl.read_parquet(sorted(tmp_path.glob("lake/intervals/*/*.parquet")))
    known, sites = service_of(service), pl.read_csv(tmp_path / "lake/sites.csv")
    assert set(sites["service"].cast(pl.String)) == {service}
    assert sites["timezone"].str.starts_with("America/").any() == (service == "120/208 three-phase")
    for line in known.lines:
        assert rows[f"{line}_w"].null_count() == 0
        assert abs(rows[f"{line}_v"].median() / known.volts - 1) < 0.06
    for fault, leg in read_truth(tmp_path / "lake/truth.csv").select("fault", "leg").iter_rows():
        assert leg in (CATALOGUE[fault].legs_on(service) if leg else (None,))


def test_a_service_that_there_is_none_of_is_refused():
    with pytest.raises(InputError, match="is no service"):
        FleetSpec(sites=1, service="110")
    with pytest.raises(InputError, match="is no service"):
        UnlikeSpec(sites=1, service="110")
