"""nightclamp.duckdb has the views beside the tables they are over."""

from __future__ import annotations

from pathlib import Path

import duckdb
from invented import invented_night

from pipeline.core.settings import load_settings
from pipeline.crews import VIEWS, crew_tables, view_rows
from pipeline.faults.catalogue import CATALOGUE
from pipeline.storage import publish

SETTINGS = load_settings()


def test_a_published_view_gives_the_rows_that_the_pages_show(tmp_path: Path) -> None:
    tables = crew_tables(invented_night(crews=4, homes=120, visits=20), CATALOGUE, SETTINGS)

    publish.write_tables(tmp_path, tables, ("crew_quality",), views=VIEWS)

    shown = view_rows(tables, tmp_path, SETTINGS.engine)
    con = duckdb.connect(str(tmp_path / "nightclamp.duckdb"), read_only=True)
    kinds = dict(con.sql("FROM information_schema.tables SELECT table_name, table_type").fetchall())
    assert {name for name, kind in kinds.items() if kind == "VIEW"} == set(VIEWS)
    assert set(tables) <= set(kinds)
    for name in VIEWS:
        assert con.table(name).pl().equals(shown[name])
    con.close()
    assert not list(tmp_path.glob("crew_month.*"))
