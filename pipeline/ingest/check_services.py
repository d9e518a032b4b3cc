"""Homes whose channels and service don't fit: which they are, what the night takes them for, and what to do."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import polars as pl

from pipeline.core import contract
from pipeline.core.services import BOTH, HIGH_FROM_V, LINES, service_of
from pipeline.ingest.check_problem import Problem, count, name_some
from pipeline.ingest.registers import Registers

_ALL_LINES = (BOTH, "all")


def service_problems(
    registers: Registers, lines: Sequence[pl.DataFrame], volts: Sequence[pl.DataFrame]
) -> Iterator[Problem]:
    """Yield a line a service and kind of misfit.

    Parameters
    ----------
    registers
        The registers.
    lines
        Rows of check_line of each day that was read.
    volts
        Rows of check_voltage of each day that was read.
    """
    sites = registers.sites
    declared = sites.select("site_id", "service", named="pv_on")
    yield from _lines_lacking(
        "sites", "pv_on", declared, "correct pv_on or service; empty: found from the readings"
    )
    visited = registers.visits.select("site_id", named="leg").join(sites, on="site_id")
    yield from _lines_lacking("visits", "leg", visited, "correct the visit's leg, or service in sites")
    if not lines:
        return
    middle = (
        pl.concat(volts, how="vertical_relaxed")
        .group_by("site_id")
        .agg(is_230=pl.col("volts").median() > HIGH_FROM_V)
    )
    homes = (
        pl.concat(lines)
        .group_by("site_id")
        .agg(pl.col("has_l2", "has_l3", "is_l3_alive").any())
        .join(sites.select("site_id", "service", "lines_summed"), on="site_id")
        .join(middle, on="site_id", how="left")
        .sort("site_id")
    )
    groups: dict[tuple[str, str], list[str]] = {}
    for home in homes.iter_rows(named=True):
        for told in _misfits(home):
            groups.setdefault(told, []).append(home["site_id"])
    for (what, hint), names in groups.items():
        yield Problem("note", "intervals", f"{what} ({count(len(names), 'home')}: {name_some(names)})", hint)


def _misfits(home: dict[str, object]) -> Iterator[tuple[str, str]]:
    """Yield what of a home's channels doesn't fit its service, and what to do."""
    service = service_of(None if home["service"] is None else str(home["service"]))
    named = f"service is {service.name}" if home["service"] else "service is empty"
    if home["lines_summed"]:
        if home["has_l2"] or home["has_l3"]:
            yield (
                "l2_w or l3_w is read where sites says lines_summed: judged as one line, by l1_w",
                "leave l2_w and l3_w empty there, or lines_summed",
            )
    elif home["has_l3"] and not home["is_l3_alive"] and service.line_count < len(LINES):
        yield (
            f"l3_w is always zero where {named}: taken for a column that the home has no line for",
            "leave l3_w empty there, or correct service in sites",
        )
    elif home["has_l3"] and service.line_count < len(LINES):
        taken = "230/400" if home["is_230"] else "120/208 three-phase"
        why = "having no volts" if home["is_230"] is None else "by its volts"
        yield (
            f"l3_w is read where {named}: judged as {taken}, {why}",
            "say in sites which service it is, or leave l3_w empty there",
        )
    elif not home["has_l3"] and service.line_count == len(LINES):
        yield (
            f"no l3_w is read where {named}: judged by its first two lines",
            "map the third channel to l3_w; lines_summed in sites where one channel, l1_w, is the sum of all lines",
        )
    elif home["has_l2"] and service.line_count == 1:
        yield (
            f"l2_w is read where {named}: it has one line",
            "correct service in sites, or leave l2_w empty there",
        )


def _lines_lacking(where: str, column: str, named: pl.DataFrame, hint: str) -> Iterator[Problem]:
    """Yield a line a service and line that a register's column names (`named`) and the home's service doesn't have."""
    groups: dict[tuple[str, str], list[str]] = {}
    told = named.select("site_id", "service", "named").drop_nulls().unique().sort("site_id", "named")
    for site_id, service, names in told.iter_rows():
        lacking = [line for line in names.split("+") if line not in (*_ALL_LINES, *service_of(service).lines)]
        if lacking:
            groups.setdefault((service, " and ".join(lacking)), []).append(site_id)
    for (service, lines), homes in groups.items():
        those = f"{count(len(homes), 'home')}: {name_some(homes)}"
        yield Problem("note", where, f"{column} names {lines}, which {service} has not ({those})", hint)


def commonest_volts(sites: pl.DataFrame) -> float:
    """Return the volts to neutral of most homes' services [V rms], 120 where none is known."""
    known = sites["service"].drop_nulls()
    if known.is_empty():
        return service_of(None).volts
    return contract.SERVICE_LEG_V[str(known.mode().sort().first())]
