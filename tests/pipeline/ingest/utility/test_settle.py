"""Each parsed row is used, a duplicate or rejected, and the table is what the used ones say."""

from datetime import date, datetime, timedelta

import polars as pl
import pytest

from pipeline.ingest.utility.layout import PARSED, UTILITY
from pipeline.ingest.utility.settle import settle

T0 = datetime(2025, 6, 1)
_HOME = {"site_id": pl.String, "kind": pl.String, "most_w": pl.Float64}
SCHEMA = {**PARSED, **_HOME, "arrival": pl.Int64, "arrived_at": pl.Datetime("us")}
# What every row of these tests says unless it says otherwise.
PLAIN = {
    "site_id": "a", "usage_point": "m", "most_w": 40e3, "arrival": 0, "arrived_at": datetime(2025, 6, 2),
    "source_row": 1, "step_wh": 1.0,
}  # fmt: skip


def row(minute: int = 0, minutes: int = 15, **values: object) -> dict[str, object]:
    """A row of home a at so many minutes after midnight; energies and the rest by name."""
    start = T0 + timedelta(minutes=minute)
    return {**dict.fromkeys(SCHEMA), **PLAIN, "minutes": minutes, "interval_start": start, **values}


def settled(*rows: dict[str, object]) -> tuple[list[tuple[str, str | None]], list[tuple]]:
    frame = pl.DataFrame(list(rows), schema=SCHEMA)
    told, table = settle(frame, as_of=date(2025, 6, 1))
    assert table.schema == UTILITY
    assert told["fate"].null_count() == 0
    return told.select("fate", "reason").rows(), table.select(
        (pl.col("interval_start") - T0).dt.total_minutes(), "minutes", "import_wh", "export_wh"
    ).rows()


USED, DUPLICATE = ("used", None), ("duplicate", None)


def test_import_and_export_of_two_rows_are_one_interval() -> None:
    fates, table = settled(row(import_wh=5.0), row(export_wh=2.0))
    assert fates == [USED, USED]
    assert table == [(0, 15, 5.0, 2.0)]


def test_what_is_not_metered_is_null() -> None:
    assert settled(row(import_wh=5.0))[1] == [(0, 15, 5.0, None)]


def test_net_is_import_when_positive_and_export_when_negative() -> None:
    fates, table = settled(row(net_wh=5.0), row(15, net_wh=-2.0), row(30, net_wh=0.0))
    assert fates == [USED] * 3
    assert table == [(0, 15, 5.0, 0.0), (15, 15, 0.0, 2.0), (30, 15, 0.0, 0.0)]


def test_both_registers_go_before_the_net_and_the_net_before_one_of_them() -> None:
    fates, table = settled(
        row(import_wh=7.0), row(export_wh=2.0), row(net_wh=5.0), row(15, import_wh=7.0), row(15, net_wh=5.0)
    )
    assert fates == [USED, USED, DUPLICATE, DUPLICATE, USED]
    assert table == [(0, 15, 7.0, 2.0), (15, 15, 5.0, 0.0)]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ({"version": datetime(2025, 6, 3)}, {"version": datetime(2025, 6, 4)}),
        ({"version": datetime(2025, 6, 1)}, {}),
        ({}, {"arrival": 1}),
        ({}, {"arrived_at": datetime(2025, 6, 2, 1), "arrival": 0}),
        ({}, {"source_row": 2}),
        ({"arrival": 1, "version": datetime(2025, 6, 3)}, {"version": datetime(2025, 6, 4)}),
    ],
)
def test_the_one_published_last_wins(first: dict[str, object], second: dict[str, object]) -> None:
    early, late = row(import_wh=1.0, **first), row(import_wh=2.0, **second)
    assert settled(early, late) == ([DUPLICATE, USED], [(0, 15, 2.0, None)])
    assert settled(late, early) == ([USED, DUPLICATE], [(0, 15, 2.0, None)])


def test_a_later_row_without_an_energy_leaves_the_earlier_one_s() -> None:
    fates, table = settled(row(import_wh=1.0, export_wh=3.0), row(import_wh=2.0, source_row=2))
    assert fates == [USED, USED]
    assert table == [(0, 15, 2.0, 3.0)]


def test_the_rarer_length_loses_where_they_overlap() -> None:
    quarters = [row(15 * at, import_wh=1.0) for at in range(8)]
    fates, table = settled(*quarters, row(0, 60, import_wh=4.0), row(120, 60, import_wh=4.0))
    why = "overlaps intervals of another length: 15 and 60 min; the commoner is kept"
    assert fates == [USED] * 8 + [("rejected", why), USED]
    assert [interval[:2] for interval in table] == [*((15 * at, 15) for at in range(8)), (120, 60)]


def test_a_single_short_one_loses_against_many_long_ones() -> None:
    hours = [row(60 * at, 60, import_wh=1.0) for at in range(3)]
    fates, table = settled(*hours, row(75, import_wh=1.0))
    assert [fate for fate, _ in fates] == ["used"] * 3 + ["rejected"]
    assert len(table) == 3


def test_lengths_are_compared_over_both_registers() -> None:
    fates, table = settled(row(import_wh=1.0), row(15, import_wh=1.0), row(0, 60, export_wh=4.0))
    assert [fate for fate, _ in fates] == ["used", "used", "rejected"]
    assert table == [(0, 15, 1.0, None), (15, 15, 1.0, None)]


def test_another_home_s_lengths_are_its_own() -> None:
    fates, _ = settled(row(import_wh=1.0), row(15, import_wh=1.0), row(0, 60, import_wh=4.0, site_id="b"))
    assert [fate for fate, _ in fates] == ["used"] * 3


def test_two_usage_points_of_a_home_must_agree() -> None:
    why = "two usage points of the home count this interval differently"
    same = settled(row(import_wh=1.0), row(import_wh=1.0, usage_point="n"))
    assert [fate for fate, _ in same[0]] == ["duplicate", "used"]
    fates, table = settled(row(import_wh=1.0), row(import_wh=2.0, usage_point="n"), row(15, import_wh=3.0))
    assert fates == [("rejected", why), ("rejected", why), USED]
    assert table == [(15, 15, 3.0, None)]


def test_a_changed_meter_goes_on_where_the_old_one_ended() -> None:
    fates, table = settled(row(import_wh=1.0), row(15, import_wh=2.0, usage_point="new"))
    assert fates == [USED, USED]
    assert len(table) == 2


def test_a_meter_that_counts_only_import_has_no_export() -> None:
    why = "meters has the kind import, but the reading is of export or net"
    fates, table = settled(
        row(import_wh=1.0, kind="import"),
        row(export_wh=1.0, kind="import"),
        row(15, net_wh=1.0, kind="import"),
    )
    assert fates == [USED, ("rejected", why), ("rejected", why)]
    assert table == [(0, 15, 1.0, None)]


def test_more_than_the_service_carries_is_refused() -> None:
    why = "net_wh -10001.0 Wh is more than the home's service carries in 15 min"
    fates, table = settled(
        row(import_wh=10_000.0), row(15, net_wh=-10_001.0), row(60, 60, import_wh=40_000.0)
    )
    assert fates == [USED, ("rejected", why), USED]
    assert len(table) == 2


def test_what_comes_after_the_night_is_not_known_yet() -> None:
    fates, table = settled(row(1440 - 15, import_wh=1.0), row(1440, import_wh=1.0))
    assert fates == [USED, ("rejected", "2025-06-02 00:00 lies after the as-of day")]
    assert len(table) == 1


def test_a_row_refused_before_stays_so() -> None:
    assert settled(row(reason="because"))[0] == [("rejected", "because")]


def test_the_table_is_sorted_and_of_the_larger_step() -> None:
    frame = pl.DataFrame(
        [
            row(15, import_wh=3.0, site_id="b"),
            row(import_wh=1.0),
            row(export_wh=20.0, arrival=1, step_wh=10.0),
        ],
        schema=SCHEMA,
    )
    _, table = settle(frame, as_of=date(2025, 6, 1))
    assert table.select("site_id", "step_wh").rows() == [("a", 10.0), ("b", 1.0)]
