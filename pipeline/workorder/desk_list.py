"""What the desk can do about each listed home, as two columns of the list."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.core.settings import Settings
from pipeline.faults.types import Fault
from pipeline.workorder.install import Install
from pipeline.workorder.office import desk_fix
from pipeline.workorder.order import Case, DeskFix
from pipeline.workorder.tables import NightTables


def with_desk_columns(
    listed: pl.DataFrame, night: NightTables, catalogue: Mapping[str, Fault], settings: Settings
) -> pl.DataFrame:
    """Return the list with `desk_change` and `desk_proof`, null where no setting can help.

    `desk_change` says which setting to change from what to what (for a visit: what can serve until then),
    `desk_proof` which number should be where by when.
    """
    rows = []
    faults = [
        name for name, fault in catalogue.items() if fault.remedy.desk or fault.remedy.fix_by == "office"
    ]
    chosen = listed.filter(pl.col("suspected_fault").is_in(faults))["site_id"].to_list()
    for home in night.homes(chosen, with_series=False):
        fault = catalogue[home.listed["suspected_fault"]]
        case = Case(home, fault, home.listed["leg"], Install.of(home.register, home.score))
        desk = desk_fix(case, settings)
        if desk is not None:
            rows.append((home.site_id, changes(desk), proofs(desk)))
    schema = {"site_id": pl.String, "desk_change": pl.String, "desk_proof": pl.String}
    return listed.join(
        pl.DataFrame(rows, schema=schema, orient="row"), on="site_id", how="left", maintain_order="left"
    )


def changes(desk: DeskFix) -> str:
    """Return the changes in a line."""
    return "; ".join(
        f"{change.setting}: {change.now} → {change.to} ({change.why})" for change in desk.changes
    )


def proofs(desk: DeskFix) -> str:
    """Return the proofs to wait for in a line."""
    told = []
    for wait in desk.waits:
        moved = f": {wait.now} → {wait.then}" if wait.now and wait.then else ""
        told.append(f"{wait.number}{moved}, {wait.nights}")
    return "; ".join(told)
