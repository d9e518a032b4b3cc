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
_SHOWN = (
    "site_id", "area", "commissioned_on", "is_visited", "visited_on", "kind", "counts", "fault", "fault_leg",
    "line_count", "fault_likelihood", "any_likelihood",
)  # fmt: skip
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
    homes = describe_homes(tables["crew_home"], scores)
    is_listed = pl.col("kind") != REST
    listed = homes.filter(is_listed).select("crew_id", *_SHOWN).partition_by("crew_id", as_dict=True)
    kinds = count_homes(homes, "counted_as")
    rest = count_homes(homes.filter(~is_listed), "is_heard")
    for row in tables["crew_quality"].iter_rows(named=True):
        crew = row["crew_id"]
        if crew in kinds:
            wanted = listed.get((crew,), pl.DataFrame())
            shown = wanted.head(settings.crew_homes).to_dicts()
            context = {
                "row": row,
                "comparison": comparison_text(row, settings),
                "anchor": crew_anchor(crew),
                "first_days": settings.first_days,
                "kinds": _kind_rows(kinds[crew]),
                "labels": LABELS,
                "homes": shown,
                "left_out": left_out(wanted.height - len(shown), rest.get(crew, {})),
                "percent_interval": percent_interval,
                "ratio_interval": ratio_interval,
            }
            yield crew, context


def describe_homes(homes: pl.DataFrame, scores: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of crew_home with a crew, sorted by crew and by how they count.

    `kind` (LABELS or "rest"), `counted_as` (KINDS), `fault` its title, `fault_leg`, `counts` faults from the first day
    that it counts as; `fault_likelihood` and `any_likelihood` of this fault and of any, null where a visit was. A home
    that nobody visited has a `fault` only where one is possible (LIKELY).
    """
    faults = [name for name in scores["fault_likelihoods"].struct.fields if name != SOUND]
    shares = [pl.col("fault_likelihoods").struct.field(name) for name in faults]
    suspected = scores.select(
        "site_id",
        "likely_fault",
        "likely_leg",
        line_count="line_count" if "line_count" in scores.columns else pl.lit(2),
        share=pl.max_horizontal(shares) / pl.sum_horizontal(shares),
    )
    was_found = pl.col("found").is_not_null() & (pl.col("found") != SOUND)
    kind = (
        pl.when(KINDS["visited: fault from the first day"]).then(pl.lit(FOUND))
        .when(~pl.col("is_visited") & (pl.col("chance") >= LIKELY)).then(pl.lit(EXPECTED))
        .when(pl.col("later") >= LIKELY).then(pl.lit(LATER))
        .when(_IS_UNPROVEN).then(pl.lit(UNPROVEN))
        .otherwise(pl.lit(REST))
    )  # fmt: skip
    counted_as = pl.coalesce(pl.when(is_kind).then(pl.lit(name)) for name, is_kind in KINDS.items())
    # without a finding a fault is named only where one is possible at all
    is_named = pl.col("any_likelihood") >= LIKELY
    return (
        homes.drop_nulls("crew_id")
        .join(suspected, on="site_id", how="left")
        .with_columns(
            kind=kind.cast(_ORDER), counted_as=counted_as.cast(pl.Enum(list(KINDS))),
            counts=pl.col("chance").fill_null(0.0),
            any_likelihood=pl.when(~pl.col("is_visited")).then(pl.max_horizontal("chance", "later")),
        )
        .with_columns(
            fault=fault_title_column(
                pl.when(was_found).then("found").when(is_named).then("likely_fault"),
                pl.col("line_count").fill_null(2),
            ),
            fault_leg=pl.when(was_found).then("leg").when(is_named).then("likely_leg"),
            fault_likelihood=pl.when(is_named).then(pl.col("any_likelihood") * pl.col("share")),
        )
        .sort("crew_id", "kind", "counts", "later", "site_id", descending=[False, False, True, True, False])
    )  # fmt: skip


def count_homes(homes: pl.DataFrame, by: str) -> dict[str, dict[Any, tuple[int, float]]]:
    """Return crew -> value of the column `by` -> homes, and the faults that they count as."""
    sums = homes.group_by("crew_id", by, maintain_order=True).agg(
        homes=pl.len(), counts=pl.col("counts").sum()
    )
    counted: dict[str, dict[Any, tuple[int, float]]] = {}
    for crew, value, size, faults in sums.sort("crew_id", by).iter_rows():
        counted.setdefault(crew, {})[value] = (size, faults)
    return counted


def _kind_rows(counted: Mapping[str, tuple[int, float]]) -> list[dict[str, Any]]:
    """Return name, homes and faults counted of each of KINDS that a crew's homes have, and of all together."""
    homes, faults = zip(*counted.values(), strict=True)
    rows = {**counted, "all installs": (sum(homes), sum(faults))}
    return [{"name": name, "homes": size, "counts": counts} for name, (size, counts) in rows.items()]


def left_out(beyond: int, rest: Mapping[bool, tuple[int, float]]) -> str:
    """Return how many homes the page doesn't list, and what they count.

    `beyond` homes that count but have no row any more; `rest` whether they have data -> homes and faults of the others.
    """
    sentences = []
    if beyond:
        sentences.append(
            f"{words.count(beyond, 'further home')} with a fault or unproven: see crew_home.parquet."
        )
    if rest:
        homes, faults = rest.get(True, (0, 0.0))
        silent, _ = rest.get(False, (0, 0.0))
        without = f"; {words.count(silent, 'home')} without data, not counted" if silent else ""
        sentences.append(
            f"Not listed: {words.count(homes, 'home')} with no fault found or less than {words.percent(LIKELY)} "
            f"likely, which count as {words.number(faults, 1)} faults{without}."
        )
    return " ".join(sentences)
