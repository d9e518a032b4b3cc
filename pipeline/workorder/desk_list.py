"""What the desk can do about each listed home, as two columns of the list."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.core.settings import Settings
from pipeline.faults.types import Fault
from pipeline.workorder.office import desk_fix
from pipeline.workorder.order import Case, DeskFix
from pipeline.workorder.tables import NightTables


def with_desk_columns(night: NightTables, catalogue: Mapping[str, Fault], settings: Settings) -> pl.DataFrame:
    """Return revisit_list with `desk_change` and `desk_proof`, null where no setting can help.

    `desk_change` says which setting to change from what to what (for a visit: what can serve until then),
    `desk_proof` which number should be where by when.
    """
    listed = night.frames["revisit_list"]
    faults = [
        name for name, fault in catalogue.items() if fault.remedy.desk or fault.remedy.fix_by == "office"
    ]
    chosen = listed.filter(pl.col("suspected_fault").is_in(faults))["site_id"].to_list()
    rows = []
    for home in night.homes(chosen, with_series=False):
        desk = desk_fix(Case.of(home, catalogue), settings)
        if desk is not None:
            rows.append((home.site_id, _changes(desk), _verifications(desk)))
    schema = dict.fromkeys(("site_id", "desk_change", "desk_proof"), pl.String)
    desks = pl.DataFrame(rows, schema=schema, orient="row")
    return listed.join(desks, on="site_id", how="left", maintain_order="left")


def _changes(desk: DeskFix) -> str:
    return "; ".join(
        f"{change.setting}: {change.now} → {change.to} ({change.why})" for change in desk.changes
    )


def _verifications(desk: DeskFix) -> str:
    parts = []
    for item in desk.verifications:
        values = f": {item.now} → {item.then}" if item.now and item.then else ""
        parts.append(f"{item.number}{values}, {item.nights}")
    return "; ".join(parts)
