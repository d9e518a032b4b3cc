"""Homes of three lines: designs that don't know which line is called which, and scores beside those of two legs."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations

import numpy as np
import polars as pl
import pytest
from scored_homes import homes, register
from three_line_rows import EUROPE, WYE, three_line_homes, wired_row

from pipeline.core.contract import SOUND
from pipeline.core.line_pairs import PAIR_INDICES
from pipeline.core.services import leg_codes
from pipeline.core.settings import Settings, load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.learning.labelled import Labelled
from pipeline.learning.training import Fleet, fit_model
from pipeline.probes import names_of
from pipeline.probes.measured import OF_THREE_LINES, Measured, all_quantities, measure
from pipeline.probes.wirings import all_wirings
from pipeline.scoring.design import columns, line_design, symmetric_design
from pipeline.scoring.fleet_normal import learn_normal, normal_from
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import load_model, save_model
from pipeline.scoring.normal import measure_deviations
from pipeline.scoring.score_breakdown import site_weights
from pipeline.scoring.score_homes import SHOWN_OF_THREE, score
from pipeline.scoring.verdict import missing_evidence
from pipeline.scoring.wiring_table import LEAST_SHARE, wiring_table

TURNED, CROSSED = "reversed", "legs_crossed"


def drawn_fleet(service: str, seed: int, count: int = 90) -> Labelled:
    """Homes of three lines wired in any way, a third of them right; each fault is that of its wiring."""
    rng = np.random.default_rng(seed)
    rows, truth = [], []
    for at in range(count):
        order, signs = (0, 1, 2), [1, 1, 1]
        kind = (SOUND, TURNED, CROSSED)[at % 3]
        one, other = rng.permutation(3)[:2].tolist()
        leg = None
        if kind == TURNED:
            signs[one], leg = -1, f"l{one + 1}"
        if kind == CROSSED:
            swapped = [0, 1, 2]
            swapped[one], swapped[other] = other, one
            order, leg = tuple(swapped), "+".join(f"l{line + 1}" for line in sorted((one, other)))
        row = wired_row(order, signs, service=service, seed=seed * 1000 + at)
        row |= {
            f"gain_l{line}": row[f"slope_l{line}"] * -3 for line in (1, 2, 3)
        }  # fmt: skip
        rows.append(row | {"site_id": f"{seed}-{at:03}"})
        truth.append(
            {
                "site_id": f"{seed}-{at:03}",
                "fault": kind,
                "leg": leg,
                "hard_negative": "vacant" if at % 9 == 0 else None,
            }
        )
    signals = three_line_homes(rows, service)
    return Labelled(register(signals), signals, pl.DataFrame(truth))


@pytest.fixture(scope="module")
def small(settings: Settings) -> Settings:
    few = settings.training.model_copy(
        update={"rounds": 20, "which_rounds": 10, "leg_rounds": 20, "innocent_rounds": 3, "fewest_in_leaf": 5}
    )
    return settings.model_copy(update={"training": few})


@pytest.fixture(scope="module")
def settings() -> Settings:
    return load_settings()


@pytest.fixture(scope="module")
def drawn() -> list[Labelled]:
    return [drawn_fleet(EUROPE, 1), drawn_fleet(WYE, 2)]


@pytest.fixture(scope="module")
def both(small: Settings, drawn: list[Labelled]) -> Model:
    """The shipped model, with one of three lines that knows two faults."""
    fleets = [Fleet("wired", homes_of, measure(homes_of.signals)) for homes_of in drawn]
    return replace(load_model(), three_lines=fit_model(fleets, small, 1, recipe={}))


def relabelled(measured: Measured, order: tuple[int, int, int]) -> Measured:
    """The same homes with line order[i] called line i."""
    pairs = list(PAIR_INDICES.values())
    moved = [(order[one], order[other]) for one, other in pairs]
    shapes = {key: quantity for key, _, quantity in all_quantities(3)}

    def turn(key: str, values: np.ndarray, is_value: bool) -> np.ndarray:
        quantity = shapes[key]
        if values.shape[1] == 1:
            return values
        if quantity.shape == "leg":
            return values[:, order]
        at = [next(n for n, pair in enumerate(pairs) if set(pair) == set(new)) for new in moved]
        signs = [1.0 if pairs[n] == new else -1.0 for n, new in zip(at, moved, strict=True)]
        return values[:, at] * (signs if is_value and quantity.shape == "contrast" else 1.0)

    return replace(
        measured,
        values={key: turn(key, values, True) for key, values in measured.values.items()},
        errors={key: turn(key, values, False) for key, values in measured.errors.items()},
    )


@pytest.mark.parametrize("order", list(permutations(range(3))))
def test_lines_called_otherwise_leave_the_row_as_it_is(
    order: tuple[int, int, int], drawn: list[Labelled]
) -> None:
    measured = measure(drawn[0].signals)
    other = relabelled(measured, order)

    one, two = (symmetric_design(seen, measure_deviations(seen, {})) for seen in (measured, other))

    np.testing.assert_array_equal(one.rows, two.rows)
    for line in range(3):
        np.testing.assert_array_equal(
            line_design(measured, measure_deviations(measured, {}), order[line]).rows,
            line_design(other, measure_deviations(other, {}), line).rows,
        )


def test_every_column_is_named_once_and_every_probe_of_three_lines_has_one() -> None:
    for names in columns(3):
        assert len(set(names)) == len(names)
        assert {name.split(".")[0] for name in names} == set(names_of(3))
    assert columns(2) == columns()
    assert not any(name.startswith("wiring") for name in columns(2)[0])


def test_a_mixed_fleet_is_scored_part_by_part_and_two_legs_as_if_alone(
    both: Model, drawn: list[Labelled], settings: Settings
) -> None:
    two = homes([{"site_id": f"two {at}", "gain_l1": 1 - 0.01 * at} for at in range(30)])
    whole = pl.concat([drawn[0].signals, two], how="diagonal_relaxed")
    own = settings.verdict

    def scored(signals: pl.DataFrame) -> pl.DataFrame:
        fleet = learn_normal(signals, both, own)
        return score(signals, register(signals), fleet, model=both, catalogue=CATALOGUE, settings=own)

    together, alone = scored(whole), scored(two)

    assert together["site_id"].to_list() == whole["site_id"].to_list()
    assert together.filter(pl.col("site_id").str.starts_with("two")).equals(alone)
    assert alone.select(*SHOWN_OF_THREE).null_count().row(0) == (30,) * len(SHOWN_OF_THREE)
    of_three = together.filter(~pl.col("site_id").str.starts_with("two"))
    assert of_three["slope_l3"].null_count() == 0
    assert set(of_three["likely_leg"].drop_nulls()) <= set(leg_codes(3))


def test_the_line_of_a_turned_ct_is_named(both: Model, settings: Settings) -> None:
    new = drawn_fleet(EUROPE, 7)
    own = settings.verdict
    fleet = learn_normal(new.signals, both, own)
    scores = score(new.signals, new.sites, fleet, model=both, catalogue=CATALOGUE, settings=own)
    told = new.truth.rename({"leg": "true_leg"}).join(scores, on="site_id", maintain_order="left")

    turned = told.filter(pl.col("fault") == TURNED)
    assert (turned["likely_fault"] == TURNED).mean() > 0.9
    assert (turned["likely_leg"] == turned["true_leg"]).mean() > 0.6  # from 40 homes; by chance a seventh
    assert told.filter(pl.col("fault") != SOUND)["likelihood"].min() > told.filter(pl.col("fault") == SOUND)[
        "likelihood"
    ].quantile(0.9)


def test_what_is_normal_is_published_apart_and_read_back(
    both: Model, drawn: list[Labelled], settings: Settings
) -> None:
    whole = pl.concat([drawn[0].signals, homes([{"site_id": "two"}])], how="diagonal_relaxed")

    fleet = learn_normal(whole, both, settings.verdict)
    back = normal_from(fleet.table, fleet.rate, fleet.fault_mix)

    assert fleet.three_lines is not None
    assert back.three_lines is not None
    assert back.three_lines.rate == fleet.three_lines.rate != fleet.rate
    assert {key: spread.centre for key, spread in back.three_lines.normal.items()} == {
        key: spread.centre for key, spread in fleet.three_lines.normal.items()
    }
    assert set(back.normal) == set(fleet.normal)
    keys = fleet.table.select("probe", "quantity", "stratum")
    assert keys.is_unique().all()
    assert keys["stratum"].str.ends_with(OF_THREE_LINES).any()


def test_weights_add_up_to_the_likelihood_in_the_order_asked_for(
    both: Model, drawn: list[Labelled], settings: Settings
) -> None:
    signals = pl.concat([drawn[0].signals, homes([{"site_id": "two"}])], how="diagonal_relaxed")
    own = settings.verdict
    fleet = learn_normal(signals, both, own)
    scores = score(signals, register(signals), fleet, model=both, catalogue=CATALOGUE, settings=own)
    asked = [signals["site_id"][3], "two", signals["site_id"][0]]

    weights = site_weights(scores, signals, asked, fleet=fleet, model=both)

    assert weights["site_id"].unique(maintain_order=True).to_list() == asked
    by_home = dict(weights.group_by("site_id").agg(pl.col("weight").sum()).iter_rows())
    likelihood = dict(scores.select("site_id", "likelihood").iter_rows())
    for home in asked:
        assert 1 / (1 + np.exp(-by_home[home])) == pytest.approx(likelihood[home], abs=1e-6)
    probes = weights.filter(site_id="two")["probe"].to_list()
    assert "wiring" not in probes
    assert "wiring" in weights.filter(site_id=asked[0])["probe"].to_list()


def test_the_table_of_wirings_has_the_right_one_of_a_home_that_is_not_sound(drawn: list[Labelled]) -> None:
    signals = drawn[0].signals
    scores = pl.DataFrame(
        {"site_id": signals["site_id"], "ct_verdict": ["sound"] + ["suspect"] * (signals.height - 1)}
    )

    table = wiring_table(scores, signals)

    codes = {wiring.code for wiring in all_wirings(3)}
    assert set(table["wiring"]) <= codes
    assert signals["site_id"][0] not in table["site_id"].to_list()
    assert (table["likelihood"] >= LEAST_SHARE).all()
    best = table.filter(ordinal=1)
    assert best["look_at"].null_count() == 0
    truth = drawn[0].truth.join(best, on="site_id").filter(pl.col("fault") == TURNED)
    for leg, code in truth.select("leg", "wiring").iter_rows():
        right = ["l1+", "l2+", "l3+"]
        right[int(leg[1]) - 1] = f"{leg}-"
        assert code == " ".join(right)


def test_a_night_without_three_lines_has_the_tables_columns() -> None:
    signals = homes([{}])
    scores = pl.DataFrame({"site_id": signals["site_id"], "ct_verdict": ["suspect"]})

    assert wiring_table(scores, signals).columns == ["site_id", "ordinal", "wiring", "likelihood", "look_at"]


def test_both_models_are_kept_in_one_folder(both: Model, tmp_path) -> None:  # type: ignore[no-untyped-def]
    save_model(both, tmp_path)

    back = load_model(tmp_path)

    assert back.model_id == both.model_id
    assert back.three_lines is not None
    assert both.three_lines is not None
    assert back.three_lines.model_id == both.three_lines.model_id
    assert back.three_lines.line_count == 3


@pytest.mark.parametrize(
    ("fed", "is_upstream", "meter", "need"),
    [
        ((1, 1, 1), True, 0.0, None),
        ((1, 0, 0), True, 0.0, "meter"),
        ((1, 0, 0), True, 0.9, None),
        ((1, 0, 0), False, 0.0, "meter"),
        ((1, 0, 0), None, 0.0, "record"),
    ],
)
def test_the_sun_proves_the_scale_only_of_lines_that_production_feeds(
    fed: tuple[int, ...],
    is_upstream: bool | None,
    meter: float,
    need: str | None,
    both: Model,
    settings: Settings,
) -> None:
    shares = {f"pv_share_l{line}": on / sum(fed) for line, on in enumerate(fed, start=1)}
    signals = three_line_homes([shares | {"is_declared_upstream": is_upstream, "meter_share": meter}])
    own = settings.verdict

    assert signals.select(missing_evidence(own, 3)).item() == need
    fleet = learn_normal(signals, both, own)
    told = score(signals, register(signals), fleet, model=both, catalogue=CATALOGUE, settings=own).row(
        0, named=True
    )
    assert "is_partly_fed" not in told
    if told["verdict"] == "unproven" and need == "meter" and is_upstream:
        assert "does not feed every line" in told["unproven_why"]
