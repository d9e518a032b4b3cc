"""Homes with three lines as the night found them: their service, how their CTs sit, and what of it can be put right."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import polars as pl

from pipeline.core.services import SERVICES, leg_code, lines_of, service_of
from pipeline.faults.permutations import read_wiring
from pipeline.faults.types import Fault

SURE_WIRING = 0.9  # likelihood among all 48 from which readings are put right by it
UNSURE = "how its CTs are moved around can't be told for sure"
OTHER_WIRING = "the readings look like another way of moving or turning its CTs"
NO_LEG = "no such fault can be on these lines"
_NO_SERVICES = pl.Schema({"site_id": pl.String, "service": pl.String})


def services_of_three(night: Path) -> pl.DataFrame:
    """Return `site_id` and `service` of the homes in which a published night read three lines."""
    path = night / "site_signal.parquet"
    if not path.is_file():
        return _NO_SERVICES.to_frame()
    signals = pl.scan_parquet(path, glob=False)
    if "line_count" not in signals.collect_schema():
        return _NO_SERVICES.to_frame()
    return signals.filter(pl.col("line_count") == 3).select("site_id", "service").collect()


def with_wirings(episodes: pl.DataFrame, night: Path, catalogue: Mapping[str, Fault]) -> pl.DataFrame:
    """Return the episodes with legs as homes of three lines have them, `wiring`, and why a wiring can't be put right.

    A fault that does nothing but move or turn CTs is put right by the wiring that the night finds likeliest, where that
    is sure and one of those that the fault on its leg may be; of a fault that a visit put right, by the only one.

    Parameters
    ----------
    episodes
        Table EPISODE without `wiring`.
    night
        The published run, perhaps with table wiring.
    catalogue
        The faults by name.
    """
    counts = {name: service.line_count for name, service in SERVICES.items()}
    is_three = pl.col("service").replace_strict(counts, default=2, return_dtype=pl.Int64).fill_null(2) > 2
    if not episodes.select(is_three.any()).item():
        return episodes.with_columns(wiring=pl.lit(None, pl.String))
    table = night / "wiring.parquet"
    likeliest: dict[str, tuple[str, float]] = {}
    if table.is_file():
        rows = pl.read_parquet(table, glob=False).filter(pl.col("ordinal") == 1)
        likeliest = {
            site: (code, share)
            for site, code, share in rows.select("site_id", "wiring", "likelihood").iter_rows()
        }
    told = []
    asked = ("site_id", "fault", "leg", "rival_leg", "service", "to_on", "why_not")
    for site, fault, leg, rival_leg, service, to_on, why_not in episodes.select(asked).iter_rows():
        count = service_of(service).line_count
        wiring = None
        if count > 2:
            leg, rival_leg = (code and leg_code(lines_of(code, count), count) for code in (leg, rival_leg))
            if fault in catalogue and why_not is None:
                now = likeliest.get(site) if to_on is None else None
                wiring, why_not = _wiring_of(catalogue[fault], leg, service, now)
        told.append((leg, rival_leg, wiring, why_not))
    schema = dict.fromkeys(("leg", "rival_leg", "wiring", "why_not"), pl.String())
    return episodes.with_columns(pl.DataFrame(told, schema=schema, orient="row"))


def _wiring_of(
    fault: Fault, leg: str | None, service: str, likeliest: tuple[str, float] | None
) -> tuple[str | None, str | None]:
    """Return the wiring to put right, None where it follows from fault and leg, or why there is none."""
    if leg not in fault.legs_on(service):
        return None, NO_LEG
    if fault.wirings is None:
        return None, None
    possible = fault.wirings(leg, service_of(service).line_count)
    if likeliest is None:
        return (None, None) if len(possible) == 1 else (None, UNSURE)
    code, share = likeliest
    order, signs = read_wiring(code)
    is_own = any(order == own for own, _ in possible)
    # CTs that are turned beside being moved are put right with it; turned ones alone are all there is.
    is_moved = order != tuple(sorted(order))
    if not is_own or not (is_moved or (order, signs) in possible):
        return None, OTHER_WIRING
    return (code, None) if share >= SURE_WIRING else (None, UNSURE)
