"""What is normal in a fleet: its majority says so, faults hardly move it, and few homes lean on many fleets."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
import yaml
from numpy.testing import assert_array_equal
from scored_homes import homes, varied

from pipeline.core.settings import load_settings
from pipeline.probes.measured import STRATA, all_quantities, measure
from pipeline.scoring.fleet_normal import learn_normal, normal_from
from pipeline.scoring.model import Model
from pipeline.scoring.normal import (
    ANYWHERE,
    FEWEST_OF_FLEET,
    MOST_HOMES,
    Spread,
    deviations,
    lean,
    normal_table,
    observe,
    pool,
    taken,
)

OWN = load_settings().verdict
ROOT = Path(__file__).parents[3]
GAIN, METER = ("sun.gain", "upstream"), ("meter.log_gain", "upstream")


def fleet_of(count: int, seed: int, *, faulty: float = 0.0, se: float = 0.02) -> pl.DataFrame:
    """Homes whose gains scatter by 0.05 around 0.97 beyond their errors; of some one leg is turned."""
    rng = np.random.default_rng(seed)
    gain = 0.97 + rng.normal(0, 0.05, (count, 2)) + rng.normal(0, se, (count, 2))
    gain[: round(faulty * count), 0] = -1.0
    rows = [
        {"gain_l1": one, "gain_l2": two, "gain_sum": (one + two) / 2, "gain_l1_se": se, "gain_l2_se": se}
        for one, two in gain.tolist()
    ]
    return homes(rows)


def test_the_fleets_own_centre_and_spread_are_found_beyond_the_errors() -> None:
    seen = observe(measure(fleet_of(800, 1, se=0.04)))[GAIN]

    assert seen.centre == pytest.approx(0.97, abs=0.005)
    assert seen.spread == pytest.approx(0.05, rel=0.12)
    assert seen.homes == 800  # both legs of a home are one home
    assert seen.tail < 1.15


def test_a_fifth_of_faulty_homes_moves_centre_and_spread_by_little() -> None:
    """A tenth of the legs is turned: the centre by a fifth of a spread, the spread by a third."""
    right, mixed = (observe(measure(fleet_of(800, 2, faulty=share)))[GAIN] for share in (0.0, 0.2))

    assert abs(mixed.centre - right.centre) < 0.2 * right.spread
    assert right.spread <= mixed.spread < 1.35 * right.spread


def test_errors_that_explain_all_the_scatter_leave_only_the_meters_resolution() -> None:
    """Heavy errors are taken out: what homes differ by is not what a few days leave open."""
    rng = np.random.default_rng(3)
    rows = [{"gain_l1": 1 + e, "gain_l2": 1 + f, "gain_l1_se": 0.3, "gain_l2_se": 0.3}
            for e, f in rng.normal(0, 0.3, (600, 2))]  # fmt: skip

    seen = observe(measure(homes(rows)))[GAIN]

    assert seen.spread < 0.1
    assert seen.centre == pytest.approx(1.0, abs=0.05)


def test_homes_known_well_say_the_centre_beside_homes_known_badly() -> None:
    sure = [{"gain_l1": 0.9, "gain_l2": 0.9}] * 100
    doubtful = [{"gain_l1": 1.4, "gain_l2": 1.4, "gain_l1_se": 0.4, "gain_l2_se": 0.4}] * 120

    assert observe(measure(homes([*sure, *doubtful])))[GAIN].centre == pytest.approx(0.9)


def test_contrasts_are_as_far_above_zero_as_below() -> None:
    """Which leg is called the first is chance: a fleet whose legs all differ one way has no centre of its own."""
    seen = observe(measure(homes([{"pair_log_ratio": 0.1 + 0.001 * at} for at in range(50)])))

    assert seen["pairs.log_ratio", "upstream"].centre == pytest.approx(0.0, abs=0.11)
    assert seen["pairs.log_ratio", "upstream"].spread > 0.09
    normal = {("pairs.log_ratio", "upstream"): Spread(0.05, 0.1)}
    measured = measure(homes([{"pair_log_ratio": 0.2, "pair_log_se": 0.001}]))
    assert deviations(measured, normal).spread["pairs.log_ratio"][0, 0] == pytest.approx(2.0, rel=1e-3)


def like_many(count: int, seed: int, model: Model) -> pl.DataFrame:
    """Homes that scatter as those of many fleets do."""
    usual = model.shipped_normal[GAIN]
    gain = np.random.default_rng(seed).normal(usual.centre, usual.spread, (count, 2))
    return homes(
        [
            {"gain_l1": one, "gain_l2": two, "gain_l1_se": 0.002, "gain_l2_se": 0.002}
            for one, two in gain.tolist()
        ]
    )


@pytest.mark.parametrize("seed", range(5))
def test_a_right_home_alone_has_the_shipped_centre_and_limits_no_narrower_than_a_fleet_of_many(
    seed: int, model: Model
) -> None:
    one, many = (learn_normal(like_many(count, seed, model), model, OWN).normal[GAIN] for count in (1, 500))
    shipped = model.shipped_normal[GAIN]

    assert one.centre == pytest.approx(shipped.centre, abs=2 * shipped.spread)
    assert many.centre == pytest.approx(shipped.centre, abs=0.2 * shipped.spread)
    assert many.spread == pytest.approx(shipped.spread, rel=0.2)
    assert one.spread > 0.95 * many.spread
    nobody = lean({}, model.shipped_normal)[GAIN]
    assert nobody.centre == shipped.centre
    assert nobody.spread == pytest.approx(np.hypot(shipped.spread, shipped.centre_sd))
    assert nobody.spread > many.spread


def test_a_faulty_home_alone_is_hardly_its_own_yardstick(model: Model) -> None:
    half = homes([{"gain_l1": 0.5, "gain_l2": 0.5, "gain_sum": 0.5}])
    shipped = model.shipped_normal[GAIN]

    alone = learn_normal(half, model, OWN).normal[GAIN]

    assert alone.centre == pytest.approx(shipped.centre, abs=0.1)
    assert alone.spread >= lean({}, model.shipped_normal)[GAIN].spread


def test_the_more_homes_the_more_they_say_themselves() -> None:
    shipped = {GAIN: Spread(1.0, 0.05, 9000, 0.1, 0.5)}
    seen = [
        lean({GAIN: Spread(0.7, 0.2, count)}, shipped)[GAIN] for count in (1, 3, 10, 100, 10_000)
    ]  # fmt: skip

    centres, spreads = [one.centre for one in seen], [one.spread for one in seen]
    assert centres == sorted(centres, reverse=True)
    assert centres[-1] == pytest.approx(0.7, abs=0.001)
    assert spreads[-1] == pytest.approx(0.2, rel=0.01)
    assert 0.05 < spreads[0] < spreads[-1]


def test_the_same_homes_in_another_order_have_the_same_normal_to_the_last_digit(model: Model) -> None:
    given = pl.concat(
        [varied(40, 5), fleet_of(40, 6, faulty=0.2).with_columns(site_id=pl.format("b{}", "site_id"))]
    )
    shuffled = given.sample(fraction=1.0, shuffle=True, seed=9)

    one, other = (learn_normal(homes_, model, OWN) for homes_ in (given, shuffled))

    assert shuffled["site_id"].to_list() != given["site_id"].to_list()
    assert other.table.equals(one.table)
    assert (other.rate, other.normal) == (one.rate, one.normal)


def test_strata_are_held_apart(model: Model) -> None:
    upstream = fleet_of(60, 7)
    at_the_loads = homes(
        [
            {"site_id": f"load {at}", "is_declared_upstream": False, "gain_l1": 0.0, "gain_l2": 0.01}
            for at in range(60)
        ]
    )

    normal = learn_normal(pl.concat([upstream, at_the_loads]), model, OWN).normal

    assert normal["sun.gain", "upstream"].centre == pytest.approx(0.97, abs=0.03)
    assert normal["sun.gain", "at the loads"].centre == pytest.approx(0.0, abs=0.05)
    assert set(normal) <= {(key, name) for key, _, _ in all_quantities() for name in STRATA}


def test_a_deviation_is_in_spreads_and_errors_of_its_own_stratum() -> None:
    measured = measure(homes([{"gain_l1": 0.6, "gain_l1_se": 0.3}, {"gain_l1": 0.6, "gain_l1_se": None}]))

    moved = deviations(measured, {GAIN: Spread(1.0, 0.4)}).spread

    assert moved["sun.gain"][0, 0] == pytest.approx(-0.8)
    assert np.isnan(moved["sun.gain"][1, 0])  # without its error nobody can say
    assert np.isnan(moved["meter.log_gain"]).all()  # and of what no normal is known


def test_many_fleets_make_the_shipped_normal_of_their_medians() -> None:
    def fleet(centre: float, spread: float, count: int = 100) -> dict[tuple[str, str], Spread]:
        return {GAIN: Spread(centre, spread, count, tail=1.2)}

    shipped = pool(
        [fleet(0.9, 0.04), fleet(1.0, 0.05), fleet(1.1, 0.10), fleet(5.0, 3.0, FEWEST_OF_FLEET - 1)]
    )

    held = shipped[GAIN]
    assert (held.centre, held.homes) == (1.0, 300)
    assert held.spread == pytest.approx(0.05)
    assert held.centre_sd == pytest.approx(np.std([0.9, 1.0, 1.1]))
    assert held.spread_sd == pytest.approx(np.std(np.log([0.04, 0.05, 0.10])))
    # fleets that happen to agree are not known to agree always
    assert pool([fleet(1.0, 0.05)] * 3)[GAIN].centre_sd > 0
    assert pool([fleet(1.0, 0.05)] * 3)[GAIN].spread_sd > 0


def test_a_stratum_that_no_fleet_had_leans_on_homes_of_any(model: Model) -> None:
    shipped = {("sun.gain", ANYWHERE): Spread(1.0, 0.1, 100, 0.05, 0.3)}

    assert lean({}, shipped)["sun.gain", "upstream, added back"].centre == 1.0


def test_of_a_big_fleet_an_even_part_is_looked_at() -> None:
    whole, part = taken(MOST_HOMES), taken(7 * MOST_HOMES)

    assert whole.all()
    assert part.sum() == MOST_HOMES
    assert np.diff(np.flatnonzero(part)).max() <= 8
    assert_array_equal(part, taken(7 * MOST_HOMES))


def test_the_published_table_is_the_yardstick_itself(model: Model) -> None:
    known = learn_normal(fleet_of(30, 8), model, OWN)

    back = normal_from(known.table, known.rate, known.fault_mix)

    measured = measure(fleet_of(5, 9))
    for one, other in ((known.normal, back.normal),):
        for key, values in deviations(measured, one).spread.items():
            assert_array_equal(values, deviations(measured, other).spread[key])
    assert back.normal == known.normal
    assert known.table.schema == normal_table({}, {}, {}).schema
    row = known.table.filter(probe="sun", quantity="gain", stratum="upstream").row(0, named=True)
    assert row["own_centre"] == pytest.approx(0.97, abs=0.05)
    assert row["shipped_centre"] == model.shipped_normal[GAIN].centre


def test_a_fleet_without_homes_has_the_usual_rate_and_no_normal(model: Model) -> None:
    nobody = learn_normal(homes([{}])[:0], model, OWN)

    assert (nobody.rate, dict(nobody.normal), nobody.table.height) == (model.rate(OWN.base_rate), {}, 0)


def test_a_fleet_with_many_faults_has_a_higher_rate_than_one_without(model: Model) -> None:
    turned = yaml.safe_load((ROOT / "tests/faults/reversed.yaml").read_text(encoding="utf-8"))["cases"][0][
        "given"
    ]
    right = varied(60, 1)
    faulty = homes([{**turned, "site_id": f"turned {at}"} for at in range(20)])

    none, many = (learn_normal(fleet, model, OWN).rate for fleet in (right, pl.concat([right, faulty])))

    assert none < OWN.base_rate < 0.15 < many < 0.35
