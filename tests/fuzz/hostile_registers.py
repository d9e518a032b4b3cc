"""Registers and the files of `dispatch`: good rows with hostile cells and names here and there."""

from __future__ import annotations

from hostile_bytes import Sent, csv_bytes, damaged, parquet_bytes
from hostile_columns import arrow_column
from hostile_words import nasty, texts
from hypothesis import strategies as st

from pipeline.core import contract

_HOME = {
    "timezone": "America/Denver",
    "latitude": "39.7",
    "longitude": "-105",
    "area": "north",
    "service": "120/240",
    "service_amps": "200",
    "pv_kw": "7.6",
    "ct_sees_pv": "true",
    "crew_id": "c1",
}
_VISIT = {"visit_id": "v1", "site_id": "a", "visited_on": "2025-05-20", "found": "reversed", "fixed": "yes"}
GOOD = {
    "sites": [{"site_id": home, **_HOME} for home in ("a", "b")],
    "crews": [{"crew_id": "c1", "crew_name": "First crew"}],
    "visits": [_VISIT],
    "trainings": [{"crew_id": "c1", "trained_on": "2025-05-01", "topic": "dead"}],
    "safety_calls": [
        {"site_id": "a", "called_on": "2025-05-20", "repaired_on": "2025-05-22", "note": "lug at the meter"}
    ],
}
_DISPATCH = {
    "truck_id": "T1",
    "area": "north",
    "start_latitude": "39.7",
    "start_longitude": "-105",
    "start_time": "07:30",
    "hours": "8",
    "from_site": "a",
    "to_site": "b",
    "minutes": "12",
}


@st.composite
def _table(draw: st.DrawFn, table: str) -> tuple[list[dict[str, str]], list[str]]:
    """A register's rows: good ones with hostile cells and names here and there."""
    known = contract.TABLES[table].column_names()
    rows = [dict(row) for row in GOOD[table]] + [
        dict(draw(st.sampled_from(GOOD[table]))) for _ in range(draw(st.integers(0, 2)))
    ]
    for _ in range(draw(st.integers(0, 4))):
        rows[draw(st.integers(0, len(rows) - 1))][draw(st.sampled_from(known))] = draw(texts)
    names = [name for name in known if any(name in row for row in rows)]
    for _ in range(draw(st.sampled_from([0, 0, 1, 2]))):
        odd = draw(st.one_of(nasty, st.sampled_from([*known, *(name.upper() for name in known)])))
        if not draw(st.integers(0, 5)):
            names[draw(st.integers(0, len(names) - 1))] = odd
        else:
            names.append(odd)
    return rows, names


@st.composite
def register(draw: st.DrawFn, table: str) -> Sent:
    """One register as CSV or Parquet."""
    rows, names = draw(_table(table))
    if draw(st.integers(0, 3)):
        content, _ = draw(damaged(csv_bytes(rows, names)))
        return Sent(".csv", content)
    columns = [draw(arrow_column(name, len(rows), [row.get(name) for row in rows])) for name in names]
    content, _ = draw(damaged(parquet_bytes(columns, names)))
    return Sent(".parquet", content)


registers = st.fixed_dictionaries(
    {"sites": register("sites"), "crews": register("crews")},
    optional={name: register(name) for name in ("visits", "trainings", "safety_calls")},
)


@st.composite
def trucks_file(draw: st.DrawFn, columns: tuple[str, ...]) -> bytes:
    """A trucks.csv or drive_times.csv: good cells, with hostile ones and names here and there."""
    rows = [{name: _DISPATCH[name] for name in columns} for _ in range(draw(st.integers(0, 3)))]
    for row in rows:
        for name in columns:
            if not draw(st.integers(0, 5)):
                row[name] = draw(texts)
    names = [
        name if draw(st.integers(0, 19)) else draw(st.one_of(nasty, st.just(columns[0].upper())))
        for name in columns
    ]
    return draw(damaged(csv_bytes(rows, names)))[0]
