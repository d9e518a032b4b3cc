"""A utility's file speaks for all three lines of a home, for each pair of them and for their sum."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from metered_homes import Metered
from three_lines import FIRST, SETTINGS, Home, put_days, sites_of

from pipeline.core import sql_runner
from pipeline.core.contract import BY_FILE
from pipeline.core.line_pairs import VIEWS, rows_of_pair
from pipeline.features.aggregates import HomeDays
from pipeline.features.line_meter import joint_meter
from pipeline.features.line_signals import line_days
from pipeline.features.utility_meter.evidence import EVIDENCE, THIRD_LINE, meter_evidence
from pipeline.features.utility_meter.line_evidence import pair_evidence
from pipeline.features.window_features import site_signals

DAYS = 14
GAINS = (1.0, 0.5, -1.0)


def evidence(gains: tuple[float, ...] = GAINS, *, late_min: int = 0) -> pl.DataFrame:
    """Table EVIDENCE of a home with three lines and of one with two, whose CTs read so much of the truth."""
    drawn, other = Metered.drawn(DAYS), Metered.drawn(DAYS, seed=2)
    third = other.l1_w
    whole = Metered(drawn.l1_w + third, drawn.l2_w, drawn.pv_w)  # what the meter counts
    hours = drawn.hours(gain_l1=gains[0], gain_l2=gains[1]).with_columns(
        l3_w=pl.Series(gains[2] * third.reshape(-1, 4).mean(axis=1), dtype=pl.Float32)
    )
    two = other.hours(site_id="b").with_columns(l3_w=pl.lit(None, pl.Float32))
    meters = pl.concat([whole.meter(15, late_min), other.meter(15, site_id="b")])
    return meter_evidence(meters, pl.concat([hours, two]), settings=SETTINGS.utility, day=SETTINGS.day)


@pytest.mark.parametrize("late_min", [0, 60])
def test_each_line_is_told_by_the_meter(late_min: int) -> None:
    found = evidence(late_min=late_min)
    pairs = pair_evidence(found)

    assert found["meter_offset_min"].to_list() == [late_min, 0]
    assert found["why_not"].to_list() == [None, None]
    assert pairs.schema == EVIDENCE
    assert pairs.height == len(VIEWS)  # of the home with three lines
    told = joint_meter({view: rows_of_pair(pairs, view) for view in VIEWS}, np.zeros(1)).row(0, named=True)
    assert [told[f"meter_gain_l{line}"] for line in (1, 2, 3)] == pytest.approx(GAINS, abs=0.01)
    assert told["meter_r2"] > 0.99


def test_a_home_with_two_lines_has_the_same_sums_beside_one_with_three() -> None:
    other = Metered.drawn(DAYS, seed=2)
    alone = meter_evidence(
        other.meter(15, site_id="b"), other.hours(site_id="b"), settings=SETTINGS.utility, day=SETTINGS.day
    )

    beside = evidence().filter(pl.col("site_id") == "b")

    assert beside.equals(alone)
    assert {alone[name][0] for name in THIRD_LINE} == {None}
    assert pair_evidence(alone).is_empty()


def test_the_pairs_hold_the_products_of_their_lines() -> None:
    (three, _), pairs = evidence().to_dicts(), pair_evidence(evidence())
    of = {view: rows_of_pair(pairs, view).row(0, named=True) for view in VIEWS}

    for pair, (one, other) in {"23": ("2", "3"), "31": ("3", "1")}.items():
        squares = three[f"nm_{one}{one}"], three[f"nm_{other}{other}"]
        assert (of[pair]["nm_11"], of[pair]["nm_22"]) == squares
        assert of[pair]["nm_12"] == three["nm_" + "".join(sorted((one, other)))]
        assert (of[pair]["nm_n1"], of[pair]["nm_2p"]) == (three[f"nm_n{one}"], three[f"nm_{other}p"])
        assert (of[pair]["ne_l1"], of[pair]["ne_l2"]) == (three[f"ne_l{one}"], three[f"ne_l{other}"])
    total = of["sum"]
    assert total["ne_l1"] == pytest.approx(three["ne_l1"] + three["ne_l2"] + three["ne_l3"])
    assert (total["nm_22"], total["nm_12"], total["ne_l2"]) == (0.0, 0.0, 0.0)
    assert {(row["nm_n"], row["nm_nn"], row["ne_net"]) for row in of.values()} == {
        (three["nm_n"], three["nm_nn"], three["ne_net"])
    }


def test_the_window_says_where_the_meter_is_from_and_what_it_says_of_all_lines(tmp_path: Path) -> None:
    """The sums of the file stand for the rows' own, which have no meter."""
    home = Home("a", has_meter=False)
    files, line_files = put_days([home], 3, tmp_path)
    span = pl.DataFrame({"site_id": ["a"], "from_on": [FIRST], "to_on": [FIRST.replace(day=30)]})
    days, lines = HomeDays.of(files), line_days(line_files)
    meters = evidence().filter(pl.col("site_id") == "a")
    con = sql_runner.connect(tmp_path, SETTINGS.engine)
    given = {"sites": sites_of([home]), "settings": SETTINGS, "lines": lines}

    told = site_signals(con, days, span, meters=meters, **given).row(0, named=True)  # type: ignore[arg-type]
    without = site_signals(con, days, span, **given).row(0, named=True)  # type: ignore[arg-type]
    con.close()

    assert told["meter_by"] == BY_FILE
    assert [told[f"meter_gain_l{line}"] for line in (1, 2, 3)] == pytest.approx(GAINS, abs=0.01)
    row = meters.row(0, named=True)
    whole = sum(row[f"ne_{line}"] for line in ("l1", "l2", "l3"))
    assert told["meter_energy_ratio"] == pytest.approx(row["ne_net"] / whole)
    assert {without[f"meter_l{line}"] for line in (1, 2, 3)} == {None}
    assert without["meter_energy_ratio"] is None
