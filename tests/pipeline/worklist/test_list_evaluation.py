"""The night's judgement of its own list, over two nights and a visit between them."""

from datetime import date, timedelta

import polars as pl
import pytest

from pipeline.core.contract import Visit
from pipeline.core.settings import load_settings
from pipeline.worklist.expected_value import SCHEMA as WORTH
from pipeline.worklist.home_status import SCHEMA as STANDING
from pipeline.worklist.list_evaluation import judge
from pipeline.worklist.revisit_list import SCHEMA as LISTED

SETTINGS = load_settings()
NIGHT = date(2026, 6, 14)
HOME = {
    "site_id": "A", "likelihood": 0.8, "fix_by": "visit", "verdict": "suspect", "value_true": 500.0, "value_cost": 90.0,
    "needless_cost": 210.0, "priority": 286.0,
}  # fmt: skip


def night(previous, number, *visits):
    suspicion = {"suspected_fault": "dead", "leg": "l1", "since": NIGHT - timedelta(days=9)}
    listed = pl.DataFrame([HOME | suspicion]).select(
        name for name in LISTED.names() if name in {*HOME, *suspicion}
    )
    return judge(
        previous,
        pl.DataFrame([HOME], schema=WORTH),
        listed,
        pl.DataFrame(list(visits), schema=pl.Schema(Visit)),
        pl.DataFrame(schema=STANDING),
        NIGHT + timedelta(days=number),
        SETTINGS,
    )


def test_a_visit_is_counted_against_what_the_night_before_promised(tmp_path):
    first = night(None, 0)
    assert (first["promise"].height, first["promise_book"].height, first["hit_rate"].height) == (0, 1, 0)
    for name in ("promise", "promise_book"):
        first[name].write_parquet(tmp_path / f"{name}.parquet")
    visit = {
        "visit_id": "V",
        "site_id": "A",
        "visited_on": NIGHT + timedelta(days=1),
        "found": "dead",
        "fixed": True,
    }
    second = night(tmp_path, 1, visit)
    assert second["promise"]["likelihood"].to_list() == [0.8]
    assert second["promise_book"].height == 2
    assert second["hit_rate"].select("month", "promised", "hits").rows() == [
        (None, 0.8, 1),
        ("2026-06", 0.8, 1),
    ]
    assert second["decision_curve"]["visited"].unique().to_list() == [1]
    assert second["list_cut"]["threshold"][0] == pytest.approx(210 / (210 + 410))
