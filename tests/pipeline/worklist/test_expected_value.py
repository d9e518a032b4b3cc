"""What going to a home is worth: every term, and the break-even."""

from datetime import date

import polars as pl
import pytest
from energy_columns import energy_columns

from pipeline.core.contract import Site
from pipeline.core.settings import load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.worklist.energy_so_far import COLUMNS
from pipeline.worklist.energy_so_far import SCHEMA as SO_FAR
from pipeline.worklist.expected_value import SCHEMA, terms, with_so_far, worth, wrong_energy
from pipeline.worklist.fix_success import chances

SETTINGS = load_settings()
OWN = SETTINGS.ranking.model_copy(
    update={
        "home_value_day": 0.5, "kwh_value": 0.1, "kwh_cap": 10.0, "horizon_days": 100.0, "labour_rate_h": 60.0,
        "office_rate_h": 30.0, "needless_visit_cost": 100.0, "needless_office_cost": 10.0,
    }
)  # fmt: skip
NEEDS = energy_columns()
TYPES = {"service": pl.String, "is_declared_upstream": pl.Boolean, "is_added_back": pl.Boolean}


def score(site_id, likelihood=0.9, fault="reversed", **changed):
    """One home's row of site_scores."""
    return {
        "site_id": site_id, "likelihood": likelihood, "verdict": "suspect", "likely_fault": fault, "likely_leg": "l1",
        "onset_on": None, "from_on": date(2026, 5, 16),
    } | changed  # fmt: skip


def valued(*scores, sites=(), kwh=4.0, promise=None):
    """Table worth of homes with `kwh` a day on each leg."""
    known = {site["site_id"]: site for site in sites}
    register = [known.get(row["site_id"], {"site_id": row["site_id"]}) for row in scores]
    schema = {"site_id": pl.String} | {name: TYPES.get(name, pl.Float64) for name in sorted(NEEDS)}
    signals = [{"site_id": row["site_id"], "l1_kwh_day": kwh, "l2_kwh_day": kwh} for row in scores]
    return worth(
        pl.DataFrame(list(scores), schema_overrides={"onset_on": pl.Date, "from_on": pl.Date}),
        pl.DataFrame(signals, schema=schema),
        pl.DataFrame(register, schema=pl.Schema(Site)),
        chances=chances(promise, CATALOGUE, SETTINGS.ranking),
        catalogue=CATALOGUE,
        settings=SETTINGS,
    )


def one(**columns):
    row = {
        "likelihood": 0.8, "chance_fixed": 0.9, "kwh_per_day_wrong": 5.0, "fix_by": "visit", "minutes_on_site": 30,
        "drive_min": 30.0,
    } | columns  # fmt: skip
    return terms(pl.DataFrame([row], schema_overrides={"drive_min": pl.Float64}), OWN).row(0, named=True)


def test_the_terms_of_a_visit_by_hand():
    row = one()
    assert row["value_true"] == pytest.approx(0.9 * (0.5 + 0.1 * 5) * 100)
    assert row["value_gain"] == pytest.approx(0.8 * 90)
    assert row["value_cost"] == pytest.approx(60)
    assert row["value_regret"] == pytest.approx(0.2 * 100)
    assert row["needless_cost"] == pytest.approx(160)
    assert row["priority"] == pytest.approx(72 - 60 - 20)
    assert row["break_even"] == pytest.approx(160 / (160 + 30))


def test_the_terms_of_the_desk_by_hand_and_energy_is_capped():
    row = one(fix_by="office", minutes_on_site=10, drive_min=None, kwh_per_day_wrong=50.0)
    assert (row["value_gain"], row["value_cost"], row["value_regret"]) == pytest.approx((0.8 * 135, 5, 2))
    assert row["break_even"] == pytest.approx(15 / (15 + 130))


def test_the_value_is_nothing_at_the_break_even_and_rises_with_likelihood():
    even = one()["break_even"]
    assert one(likelihood=even)["priority"] == pytest.approx(0)
    assert one(likelihood=even + 0.01)["priority"] > 0 > one(likelihood=even - 0.01)["priority"]


def test_what_brings_less_than_it_costs_never_pays():
    row = one(likelihood=1.0, kwh_per_day_wrong=0.0)
    assert (row["break_even"], row["priority"]) == (None, pytest.approx(45 - 60))


def test_a_home_has_its_terms_in_the_table_and_the_table_its_own_sum():
    table = valued(score("A", fault="dead"), score("B", fault="wrong_ratio"))
    assert table.schema == SCHEMA
    again = terms(table, SETTINGS.ranking)
    assert again["priority"].to_list() == pytest.approx(table["priority"].to_list())
    visit, office = table.to_dicts()
    assert (visit["fix_by"], visit["drive_min"], visit["drive_from"]) == ("visit", 40.0, "setting")
    assert (office["fix_by"], office["drive_min"], office["drive_from"]) == ("office", None, None)
    assert (visit["chance_fixed"], office["chance_fixed"]) == pytest.approx((0.9, 0.95))
    assert visit["minutes_on_site"] == CATALOGUE["dead"].remedy.minutes


def test_energy_is_exact_where_the_fault_has_an_inverse():
    table = valued(score("A", fault="reversed"), score("B", fault="dead"))
    assert table["energy_from"].to_list() == ["inverse", "bound"]
    assert table["kwh_per_day_wrong"][0] == 8.0


def test_it_is_wrong_since_the_onset_else_the_commissioning_else_the_first_data():
    built = date(2026, 1, 1)
    table = valued(
        score("A", onset_on=date(2026, 6, 5)), score("B"), score("C"), score("D", from_on=None),
        sites=[{"site_id": "A", "commissioned_on": built}, {"site_id": "B", "commissioned_on": built}],
    )  # fmt: skip
    assert table["wrong_since"].to_list() == [date(2026, 6, 5), built, date(2026, 5, 16), None]


def test_what_is_sunk_does_not_count_and_is_only_known_of_listed_homes():
    table = valued(score("A"), score("B"))
    assert table.select(*COLUMNS).null_count().row(0) == (2,) * len(COLUMNS)
    row = {"site_id": "A", "days_so_far": 9, "kwh_so_far": 900.0}
    known = with_so_far(table, pl.DataFrame([row], schema=SO_FAR))
    assert known["kwh_so_far"].to_list() == [900.0, None]
    assert known["priority"].to_list() == table["priority"].to_list()
    assert known.schema == SCHEMA


def test_homes_that_are_near_each_other_cost_less_road_and_sound_ones_are_no_neighbours():
    places = [
        {"site_id": name, "latitude": 40.0 + at / 1000, "longitude": -105.0}
        for at, name in enumerate("ABCDE")
    ]
    near = valued(*(score(name) for name in "ABCD"), sites=places)
    assert near["drive_min"].to_list() == [SETTINGS.ranking.least_drive_min] * 4
    lone = valued(score("A"), *(score(name, verdict="sound") for name in "BCDE"), sites=places)
    assert lone["drive_min"][0] == SETTINGS.ranking.drive_min


def test_energy_of_an_unknown_leg_is_the_least_and_of_an_unknown_home_none():
    energy = pl.DataFrame({"site_id": ["A"], "l1_kwh_day": [4.0], "l2_kwh_day": [9.0]})
    signals = energy.with_columns(
        *(pl.lit(None, dtype=TYPES.get(n, pl.Float64)).alias(n) for n in NEEDS if n not in energy.columns)
    )
    schema = {"site_id": pl.String, "fault": pl.String, "leg": pl.String}
    homes = pl.DataFrame([("A", "reversed", None), ("Z", "reversed", "l1")], schema=schema, orient="row")
    assert wrong_energy(homes, signals, CATALOGUE).rows() == [("A", 8.0), ("Z", 0.0)]
