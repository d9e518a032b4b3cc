"""Changes since the run before: homes on and off the list and why, verdicts, days that came late, counts."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.contract import SAFETY, SOUND, VERDICTS
from pipeline.core.percent_text import percent_column
from pipeline.faults.fault_text import fault_title_column
from pipeline.worklist.fault_likelihood import fault_likelihood
from pipeline.worklist.tables import earlier_table

LISTED, OFF, VERDICT, JOINED, GONE = "newly listed", "off the list", "verdict", "home joined", "home gone"
# One row a home and change; was, is_now: standings for the list, verdicts for a verdict.
SCHEMA = pl.Schema(
    {
        "site_id": pl.String, "area": pl.String, "what": pl.String, "was": pl.String, "is_now": pl.String,
        "why": pl.String,
    }
)  # fmt: skip
_NOT_IN_REGISTER = "no longer in the register of homes"
_COUNTS = ("homes", "homes_silent", "rows_in", "rows_used", "rows_duplicate", "rows_rejected")
_ROWS = ("rows_in", "used", "duplicate", "rejected", "files")


@dataclass(frozen=True)
class RunBefore:
    """The run before: its day, its run.json, its tables site_scores and standing."""

    as_of: date
    run: Mapping[str, Any]
    scores: pl.DataFrame
    standing: pl.DataFrame

    def is_listed(self) -> pl.DataFrame:
        """Return the site_id of each home that was on the list."""
        return self.standing.filter("is_listed").select("site_id")


def read_run_before(folder: Path | None) -> RunBefore | None:
    """Return the run in `folder`; None if there is none, or it can't be read or compared with."""
    try:
        scores, standing = (earlier_table(folder, name) for name in ("site_scores", "standing"))
        if folder is None or scores is None or standing is None or "is_listed" not in standing.columns:
            return None
        run = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        return RunBefore(date.fromisoformat(run["as_of"]), run, scores, standing)
    except (OSError, ValueError, TypeError, KeyError, pl.exceptions.PolarsError):
        return None


def changed_homes(before: RunBefore | None, scores: pl.DataFrame, standing: pl.DataFrame) -> pl.DataFrame:
    """Return table change (SCHEMA), sorted by what, then home; no rows where there was no run before.

    `scores` and `standing` are tonight's tables. A home that has joined or gone has a row for that and, if it is or was
    listed, one for the list too.
    """
    if before is None:
        return pl.DataFrame(schema=SCHEMA)
    facts = ("site_id", "standing", "cause", "is_listed")
    now = scores.select(
        "site_id", "area", "verdict", "likelihood", "suspected_fault", "fault_likelihoods"
    ).join(standing.select(facts), on="site_id", how="left")
    was = before.scores.select("site_id", "area", "verdict", "likelihood").join(
        before.standing.select(facts), on="site_id", how="left"
    )
    both = now.join(was, on="site_id", how="full", coalesce=True, suffix="_was")
    is_here, was_here = pl.col("verdict").is_not_null(), pl.col("verdict_was").is_not_null()
    is_on, was_on = (pl.col(name).fill_null(False) for name in ("is_listed", "is_listed_was"))
    left = pl.when(is_here).then("cause").otherwise(pl.lit(_NOT_IN_REGISTER))
    faults = [name for name in scores["fault_likelihoods"].struct.fields if name != SOUND]
    share = fault_likelihood(pl.col("suspected_fault"), faults)
    suspected = pl.format(
        ", most likely {} ({} this fault)",
        fault_title_column(pl.col("suspected_fault")),
        percent_column(share),
    )
    likelihoods = pl.format(
        "any fault {} likely before, {} now{}",
        *(percent_column(pl.col(name)) for name in ("likelihood_was", "likelihood")),
        suspected.fill_null(""),
    )
    safety = (
        pl.when(pl.col("verdict") == SAFETY).then(pl.lit("a loose service neutral is suspected; "))
        .when(pl.col("verdict_was") == SAFETY).then(pl.lit("the safety call is closed; "))
        .otherwise(pl.lit(""))
    )  # fmt: skip
    why = pl.format("{}{}", safety, likelihoods)
    parts = (
        (LISTED, is_on & ~was_on, "standing_was", "standing", pl.col("cause")),
        (OFF, was_on & ~is_on, "standing_was", "standing", left),
        (VERDICT, pl.col("verdict") != pl.col("verdict_was"), "verdict_was", "verdict", why),
        (JOINED, is_here & ~was_here, "verdict_was", "verdict", pl.lit("new in the register of homes")),
        (GONE, was_here & ~is_here, "verdict_was", "verdict", left),
    )
    rows = [
        both.filter(is_so).select(
            "site_id",
            area=pl.coalesce("area", "area_was"),
            what=pl.lit(what),
            was=was_column,
            is_now=column,
            why=why,
        )
        for what, is_so, was_column, column, why in parts
    ]
    return pl.concat(rows).cast(SCHEMA).sort("what", "site_id")


def changed_counts(
    before: RunBefore | None,
    changed: pl.DataFrame,
    counts: Mapping[str, int],
    *,
    standing: pl.DataFrame,
    verdicts: Mapping[str, int],
) -> dict[str, Any] | None:
    """Return the changes in numbers, and tonight's counts beside those before as [before, now]; None: no run before.

    Parameters
    ----------
    before
        The run before.
    changed
        `changed_homes`.
    counts, standing, verdicts
        Tonight's counts of rows and homes, table standing, and homes by verdict.
    """
    if before is None:
        return None
    known = dict(changed.group_by("what").len().iter_rows())
    off, turned = (changed.filter(pl.col("what") == what) for what in (OFF, VERDICT))
    counted, judged = before.run.get("counts", {}), before.run.get("verdicts", {})
    return {
        "since": str(before.as_of),
        **{name.replace(" ", "_"): known.get(name, 0) for name in (LISTED, OFF, VERDICT, JOINED, GONE)},
        "off_the_list_by_standing": _tally(off, pl.coalesce("is_now", pl.lit(_NOT_IN_REGISTER))),
        "verdict_by_turn": _tally(turned, pl.format("{} to {}", "was", "is_now")),
        "before_and_now": {
            "listed": [before.is_listed().height, int(standing["is_listed"].sum())],
            **{name: [judged.get(name, 0), verdicts.get(name, 0)] for name in VERDICTS},
            **{name: [counted.get(name), counts[name]] for name in _COUNTS},
        },
    }


def late(
    before: RunBefore | None,
    days: Mapping[str, Mapping[str, Any]],
    window: tuple[date, date] | None = None,
) -> dict[str, Any]:
    """Return `late` of run.json: changes in days that the run before had read already; none without a run before.

    `days` are tonight's as in run.json: rows, files and a digest of the files, by day; `window` is its first and last.

    Returns
    -------
    dict
        `days`: day -> by how much its counts grew, and `is_by_files`: its files have changed, else the register of
        homes has, or the settings; `gone`: days that went missing in between; `retired`: days before the lake's
        oldest that the window would reach, where the lake goes less far back than it did for the run before;
        `rows_in`, `rows_used`: by how many rows all these days grew.
    """
    then: Mapping[str, Mapping[str, Any]] = before.run.get("days", {}) if before else {}
    oldest = min((*then, *days), default="")
    begins = max(min(then, default=oldest), min(days, default=oldest))
    grown = {
        day: {
            **{name: now[name] - was.get(name, 0) for name in _ROWS},
            "is_by_files": not was or _files(was) != _files(now),
        }
        for day, now in sorted(days.items())
        if before and begins <= day <= str(before.as_of) and not _is_same(was := then.get(day, {}), now)
    }
    return {
        "days": grown,
        "gone": sorted(day for day in then if day > begins and day not in days),
        "retired": _retired(before, days, window) if before and window else [],
        "rows_in": sum(day["rows_in"] for day in grown.values()),
        "rows_used": sum(day["used"] for day in grown.values()),
    }


def _retired(before: RunBefore, days: Collection[str], window: tuple[date, date]) -> list[str]:
    """Return the days of the run before that the lake let go though the window reaches them, if it spans less now."""
    then, (first, last) = before.run.get("days", {}), window
    if not then or not days:
        return []
    spans = [last - date.fromisoformat(min(days)), before.as_of - date.fromisoformat(min(then))]
    return sorted(day for day in then if str(first) <= day < min(days)) if spans[0] < spans[1] else []


def _is_same(was: Mapping[str, Any], now: Mapping[str, Any]) -> bool:
    return all(was.get(name) == now[name] for name in _ROWS) and _files(was) in (None, _files(now))


def _files(day: Mapping[str, Any]) -> str | None:
    """Return the digest of a day's files; a run of an older version has none."""
    return day.get("files_digest")


def _tally(rows: pl.DataFrame, key: pl.Expr) -> dict[str, int]:
    return dict(rows.group_by(key.alias("key")).len().sort("key").iter_rows())
