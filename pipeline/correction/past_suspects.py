"""Faults that went away without a visit: homes that earlier nights suspected and tonight's doesn't.

What they read meanwhile is as wrong as ever. Their episodes come from the lists of earlier nights and from an earlier
run of corrections; the data then say from when to when (`history.extend`), and only what they show to be over counts.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.correction.layout import BY_DATA, EPISODE, OF_EPISODE, SUSPECTED
from pipeline.correction.site_facts import site_facts
from pipeline.faults.types import Fault
from pipeline.ingest.registers import Registers

_STORY = ("site_id", "fault", "leg")


def past_suspects(
    book: pl.DataFrame,
    earlier: pl.DataFrame | None,
    episodes: pl.DataFrame,
    *,
    registers: Registers,
    three: pl.DataFrame,
    catalogue: Mapping[str, Fault],
    least_likelihood: float,
) -> pl.DataFrame:
    """Return episodes (EPISODE, `from_on` null) of faults suspected before and not tonight, one a home, fault and leg.

    A home that was worked on since is left to what the visit found.

    Parameters
    ----------
    book
        Table promise_book: the lists of the last nights.
    earlier
        Episodes of the run before; None without one.
    episodes
        Tonight's.
    registers, three, catalogue
        Homes, visits and repairs; homes with three lines (`three_lines.services_of_three`); the faults by name.
    least_likelihood
        Likelihood from which a fault is corrected.
    """
    told = [book.select(*_STORY, "likelihood", last_on="promised_on")]
    if earlier is not None and {*_STORY, "likelihood", "basis", "why_not", "from_on", "to_on"} <= set(
        earlier.columns
    ):
        was = earlier.filter(pl.col("basis") == SUSPECTED, pl.col("why_not").is_null())
        told.append(was.select(*_STORY, "likelihood", last_on=pl.coalesce("to_on", "from_on")))
    work = registers.service_work().group_by("site_id").agg(worked_on=pl.col("visited_on").max())
    right = [name for name, fault in catalogue.items() if fault.remains == "right"]
    tonight = episodes.filter(pl.col("basis") == SUSPECTED).select(_STORY)
    facts = site_facts(registers.sites, three).select("site_id", *OF_EPISODE)
    once = (
        pl.concat(told, how="vertical_relaxed")
        .filter(
            pl.col("likelihood") >= least_likelihood, pl.col("fault").is_in([*set(catalogue) - set(right)])
        )
        .join(work, on="site_id", how="left")
        .filter(pl.col("worked_on").is_null() | (pl.col("worked_on") < pl.col("last_on")))
        .join(tonight, on=_STORY, how="anti", nulls_equal=True)
        .sort("site_id", "fault", "leg", "last_on")
        .unique(_STORY, keep="last", maintain_order=True)
        .join(facts, on="site_id", maintain_order="left")
        .with_columns(basis=pl.lit(SUSPECTED))
    )
    columns = [pl.col(name) if name in once.columns else pl.lit(None).alias(name) for name in EPISODE.names()]
    return once.select(columns).cast(dict(EPISODE))  # type: ignore[arg-type]


def those_over(dated: pl.DataFrame, episodes: pl.DataFrame) -> pl.DataFrame:
    """Return the dated past suspects that the data show to be over, and over before any other episode of the home.

    Parameters
    ----------
    dated
        What `extend` made of `past_suspects`.
    episodes
        The home's other episodes, dated.
    """
    over = dated.filter(pl.col("why_not").is_null(), pl.col("ended_by") == BY_DATA)
    others = episodes.filter(pl.col("why_not").is_null()).select(
        "site_id", other_from="from_on", other_to=pl.col("to_on").fill_null(pl.date(9999, 12, 31))
    )
    meets = (
        over.select(*_STORY, "from_on", "to_on")
        .join(others, on="site_id")
        .filter((pl.col("from_on") <= pl.col("other_to")) & (pl.col("to_on") >= pl.col("other_from")))
    )
    free = over.join(meets.select(_STORY), on=_STORY, how="anti", nulls_equal=True)
    # Of two names for one time the likelier stands.
    return (
        free.sort("site_id", "likelihood", "fault", "leg", descending=[False, True, False, False])
        .unique("site_id", keep="first", maintain_order=True)
        .select(dated.columns)
    )
