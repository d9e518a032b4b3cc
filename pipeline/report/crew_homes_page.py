"""A page a crew: how each of its installs counts, those with a fault or without a proof first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.core.setting_sections import CrewSettings
from pipeline.faults.fault_text import fault_title_column
from pipeline.report import words
from pipeline.report.crew_charts import percent_interval, ratio_interval
from pipeline.report.crew_words import comparison_text
from pipeline.report.names import crew_anchor

LIKELY = 0.1  # a fault less likely than this is counted with the rest
FOUND, EXPECTED, LATER, UNPROVEN, REST = "found", "expected", "later", "unproven", "rest"
LABELS = {
    FOUND: "fault from the first day, found by a visit",
    EXPECTED: "fault from the first day possible, not visited",
    LATER: "fault that began later, not counted",
    UNPROVEN: "unproven, not visited",
}
_ORDER = pl.Enum([*LABELS, REST])
# How a crew's installs count, a row a kind.
_IS_UNPROVEN = pl.col("is_heard") & ~pl.col("is_judged")
KINDS: dict[str, pl.Expr] = {
    "visited: fault from the first day": pl.col("is_wrong").fill_null(False),
    "visited: fault that began later": pl.col("is_visited") & ~pl.col("is_wrong") & (pl.col("found") != SOUND),
    "visited: no CT fault": pl.col("is_visited") & (pl.col("found") == SOUND),
    "not visited, judged from its data": ~pl.col("is_visited") & pl.col("is_heard") & pl.col("is_judged"),
    "not visited, unproven": ~pl.col("is_visited") & _IS_UNPROVEN,
    "no data": ~pl.col("is_heard"),
}  # fmt: skip


def crew_contexts(
    tables: Mapping[str, pl.DataFrame], scores: pl.DataFrame, settings: CrewSettings
) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield each crew that has installs with the template values of its page.

    Parameters
    ----------
    tables
        crew_quality and crew_home by name.
    scores
        `site_scores`: site_id, likely_fault, likely_leg, fault_likelihoods.
    settings
        Section [crews].
    """
    homes = describe_homes(tables["crew_home"], scores).partition_by("crew_id", as_dict=True)
    for row in tables["crew_quality"].iter_rows(named=True):
        mine = homes.get((row["crew_id"],))
        if mine is not None:
            yield row["crew_id"], _context(row, mine, settings)


def describe_homes(homes: pl.DataFrame, scores: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of crew_home with a crew, sorted by crew and by how they count.

    `kind` (LABELS or "rest"), `fault` its title, `fault_leg`, `counts` faults from the first day that it counts as;
    `fault_likelihood` and `any_likelihood` of this fault and of any, null where a visit was; a home that nobody visited
    has a `fault` only where one is possible (LIKELY).
    """
    faults = [name for name in scores["fault_likelihoods"].struct.fields if name != SOUND]
    shares = [pl.col("fault_likelihoods").struct.field(name) for name in faults]
    suspected = scores.select(
        "site_id", "likely_fault", "likely_leg", share=pl.max_horizontal(shares) / pl.sum_horizontal(shares)
    )
    was_found = pl.col("found").is_not_null() & (pl.col("found") != SOUND)
    kind = (
        pl.when(KINDS["visited: fault from the first day"]).then(pl.lit(FOUND))
        .when(~pl.col("is_visited") & (pl.col("chance") >= LIKELY)).then(pl.lit(EXPECTED))
        .when(pl.col("later") >= LIKELY).then(pl.lit(LATER))
        .when(_IS_UNPROVEN).then(pl.lit(UNPROVEN))
        .otherwise(pl.lit(REST))
    )  # fmt: skip
    # without a finding a fault is named only where one is possible at all
    is_named = pl.col("any_likelihood") >= LIKELY
    return (
        homes.drop_nulls("crew_id")
        .join(suspected, on="site_id", how="left")
        .with_columns(
            kind=kind.cast(_ORDER), counts=pl.col("chance").fill_null(0.0),
            any_likelihood=pl.when(~pl.col("is_visited")).then(pl.max_horizontal("chance", "later")),
        )
        .with_columns(
            fault=fault_title_column(pl.when(was_found).then("found").when(is_named).then("likely_fault")),
            fault_leg=pl.when(was_found).then("leg").when(is_named).then("likely_leg"),
            fault_likelihood=pl.when(is_named).then(pl.col("any_likelihood") * pl.col("share")),
        )
        .sort("crew_id", "kind", "counts", "later", "site_id", descending=[False, False, True, True, False])
    )  # fmt: skip


def _context(row: Mapping[str, Any], homes: pl.DataFrame, settings: CrewSettings) -> dict[str, Any]:
    wanted = homes.filter(pl.col("kind") != REST)
    shown = wanted.head(settings.crew_homes)
    rest = homes.filter(pl.col("kind") == REST)
    return {
        "row": row,
        "comparison": comparison_text(row, settings),
        "anchor": crew_anchor(row["crew_id"]),
        "first_days": settings.first_days,
        "kinds": count_kinds(homes),
        "labels": LABELS,
        "homes": shown.to_dicts(),
        "wanted": wanted.height,
        "left_out": left_out(wanted.height - shown.height, rest),
        "percent_interval": percent_interval,
        "ratio_interval": ratio_interval,
    }


def count_kinds(homes: pl.DataFrame) -> list[dict[str, Any]]:
    """Return name, homes and faults counted of each of KINDS that one crew's homes have, and of all together."""
    parts = [(name, homes.filter(is_kind)) for name, is_kind in KINDS.items()]
    return [
        {"name": name, "homes": part.height, "counts": float(part["counts"].sum())}
        for name, part in [*parts, ("all installs", homes)]
        if part.height
    ]


def left_out(beyond: int, rest: pl.DataFrame) -> str:
    """Return how many homes the page doesn't list, and what they count."""
    text = ""
    if beyond:
        text = f"{words.count(beyond, 'further home')} with a fault or unproven: see crew_home.parquet. "
    if rest.is_empty():
        return text.strip()
    silent = rest.filter(~pl.col("is_heard")).height
    likely = words.percent(LIKELY)
    text += (
        f"Not listed: {words.count(rest.height - silent, 'home')} with no fault found or less than {likely} likely, "
        f"which count as {words.number(float(rest['counts'].sum()), 1)} faults"
    )
    return text + (f"; {words.count(silent, 'home')} without data, not counted." if silent else ".")
