"""Ranking, names and false alarms on fleets small enough to count by hand."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.metrics import average_precision_score
from validation_homes import scored_homes

from pipeline.evaluation.validation.metrics import (
    average_precision,
    compute_metrics,
    count_by_fault,
    count_false_alarms,
    count_names,
    count_wrong_names,
    flag_found,
)
from pipeline.evaluation.validation.truth import reweight

# likelihood, truth, its leg, name, leg of the name, hard negative
TEN = [
    (0.99, "reversed", "l1", "reversed", "l1", None),
    (0.95, "dead", "l2", "dead", "l1", None),
    (0.80, "sound", None, "dead", "l1", "vacant"),
    (0.70, "partial", "l1", "loose_core", "l1", None),
    (0.60, "sound", None, "reversed", "l2", None),
    (0.30, "dead", "l1", "sound", None, None),
    (0.20, "sound", None, "sound", None, "vacant"),
    (0.05, "sound", None, "sound", None, "snow"),
    (0.02, "sound", None, "sound", None, None),
    (0.01, "sound", None, "sound", None, None),
]


def test_the_metrics_of_ten_homes_by_hand() -> None:
    metrics = compute_metrics(scored_homes(TEN))

    assert (metrics["homes"], metrics["faulty"], metrics["cut"]) == (10, 4, 4)
    assert metrics["average_precision"] == pytest.approx((1 / 1 + 2 / 2 + 3 / 4 + 4 / 6) / 4)
    assert metrics["found_share"] == 3 / 4
    assert metrics["named_share"] == pytest.approx(2 / 3)
    assert metrics["leg_share"] == pytest.approx(2 / 3)
    assert (metrics["first"], metrics["first_share"]) == (1, 1.0)


def test_more_visits_find_more() -> None:
    assert compute_metrics(scored_homes(TEN), visits=6)["found_share"] == 1.0
    assert compute_metrics(scored_homes(TEN), visits=2)["found_share"] == 0.5
    assert flag_found(scored_homes(TEN), 2).filter("is_found")["fault"].to_list() == ["reversed", "dead"]


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 20), st.booleans(), st.integers(1, 9)), min_size=2, max_size=40).filter(
        lambda homes: any(hit for _, hit, _ in homes)
    )
)
def test_average_precision_is_scikit_learns_ties_and_weights_included(homes: list) -> None:
    said, hit, weight = (np.array(part) for part in zip(*homes, strict=True))

    ours = average_precision(
        pl.DataFrame({"likelihood": said / 20, "is_faulty": hit, "weight": weight.astype(float)})
    )

    assert ours == pytest.approx(average_precision_score(hit, said / 20, sample_weight=weight))


def test_no_faulty_home_has_no_average_precision() -> None:
    assert np.isnan(compute_metrics(scored_homes(TEN[-2:]))["average_precision"])


def test_a_fleet_of_many_faults_weighs_as_an_ordinary_one() -> None:
    weighted = reweight(scored_homes(TEN), 0.1, 0.2)

    by_group = weighted.group_by("is_faulty", pl.col("hard_negative").is_not_null().alias("odd")).agg(
        pl.col("weight").sum()
    )
    shares = {(row[0], row[1]): row[2] for row in by_group.rows()}
    assert shares == pytest.approx({(True, False): 1.0, (False, True): 2.0, (False, False): 7.0})
    # one home's worth of visits: the first four faulty homes weigh a quarter each, two odd or plain ones more
    assert compute_metrics(weighted)["cut"] == 1
    assert compute_metrics(weighted)["found_share"] == 0.5


def test_by_fault_says_what_is_missed_and_how_it_is_called() -> None:
    table = count_by_fault(scored_homes(TEN)).rows_by_key("fault", named=True, unique=True)

    assert list(table) == ["reversed", "dead", "partial"]
    assert (table["dead"]["homes"], table["dead"]["found"]) == (2, 1)
    assert table["dead"]["leg_share"] == 0.0
    assert table["dead"]["missed_unproven"] == 1
    assert table["partial"]["named_share"] == 0.0


def test_false_alarms_are_counted_a_kind_with_wilsons_interval() -> None:
    # check value (Newcombe 1998, Wilson): 1 of 29 is 0.006113 to 0.171755
    homes = [(0.9 if number == 0 else 0.1, "sound", None, "sound", None, "gaps") for number in range(29)]

    table = count_false_alarms(scored_homes([*TEN, *homes])).rows_by_key("kind", named=True, unique=True)

    assert list(table) == ["gaps", "snow", "vacant", "plain sound home"]
    assert (table["gaps"]["alarms"], table["gaps"]["homes"]) == (1, 29)
    assert (table["gaps"]["low"], table["gaps"]["high"]) == pytest.approx((0.006113, 0.171755), abs=1e-6)
    assert (table["vacant"]["alarms"], table["vacant"]["homes"]) == (1, 2)
    assert (table["plain sound home"]["alarms"], table["plain sound home"]["homes"]) == (1, 3)


def test_the_confusion_table_has_truth_down_and_names_across() -> None:
    table = count_names(scored_homes(TEN)).rows_by_key("fault", named=True, unique=True)

    assert list(table) == ["reversed", "dead", "partial", "sound"]
    assert (table["partial"]["loose_core"], table["partial"]["homes"]) == (1, 1)
    assert (table["sound"]["dead"], table["sound"]["reversed"], table["sound"]["sound"]) == (1, 1, 4)
    assert count_wrong_names(scored_homes(TEN)).rows() == [
        ("dead", "sound", 1, 2),
        ("partial", "loose_core", 1, 1),
    ]
