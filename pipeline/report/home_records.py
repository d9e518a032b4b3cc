"""What the page of any home says of each: one row a home, all in words, so that the page's script only places text."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.core.glossary import LEGS, UNPROVEN_NEEDS
from pipeline.core.line_words import line_words
from pipeline.core.percent_text import percent_column
from pipeline.core.services import BOTH, LINES
from pipeline.faults.fault_text import fault_title_column
from pipeline.report.home_groups import home_group
from pipeline.report.home_lines import line_counts
from pipeline.report.names import crew_anchor
from pipeline.report.report_input import ReportInput
from pipeline.report.visit_plan import plan_pages
from pipeline.worklist.fault_likelihood import fault_likelihood

_TOGETHER = {2: "both", 3: "all"}  # the slope of a home's lines together; one line is all there is


def home_records(night: ReportInput, pages: Mapping[str, str]) -> pl.DataFrame:
    """Return the records of all homes of site_scores, sorted by `key`: the home's id in lower case, as people type it.

    `pages` are the addresses of pages of homes that have one. A field without a value is null.
    """
    scores = night.site_scores
    own_pages = pl.DataFrame(
        {"site_id": list(pages), "page": list(pages.values())},
        schema={"site_id": pl.String, "page": pl.String},
    )
    anchors = {crew: crew_anchor(crew) for crew in scores["crew_id"].drop_nulls().unique()}
    status = night.standing.select(
        "site_id",
        "planned_on",
        "last_visit_on",
        status="standing",
        status_since="standing_since",
        status_why="cause",
    )
    homes = (
        scores.join(own_pages, on="site_id", how="left")
        .join(status, on="site_id", how="left")
        .join(night.revisit_list.select("site_id", "rank", "fix_by"), on="site_id", how="left")
        .join(night.sites.select("site_id", "commissioned_on"), on="site_id", how="left")
        .join(line_counts(scores, night.sites).rename({"line_count": "lines"}), on="site_id", how="left")
    )
    fault = pl.coalesce("suspected_fault", "likely_fault")
    leg = pl.coalesce("leg", *(["likely_leg"] if "likely_leg" in scores.columns else []))
    need = {f"unproven-{code}": f"{name}: {text}" for code, (name, text) in UNPROVEN_NEEDS.items()}
    return homes.select(
        "site_id",
        "area",
        "crew_id",
        "verdict",
        "evidence",
        "contradiction",
        "onset_evidence",
        "status",
        "status_why",
        "unproven_why",
        "rank",
        "fix_by",
        "page",
        key=pl.col("site_id").str.to_lowercase(),
        group=home_group(),
        crew=pl.col("crew_id").replace_strict(anchors, default=None, return_dtype=pl.String),
        commissioned=_day("commissioned_on"),
        fault=fault_title_column(fault, pl.col("lines")),
        leg=pl.when(~((pl.col("lines") == 1) & (leg == BOTH))).then(
            leg.replace_strict(LEGS, default=None, return_dtype=pl.String)
        ),
        this_fault=percent_column(fault_likelihood(fault, scores["fault_likelihoods"].struct.fields)),
        any_fault=percent_column(pl.col("likelihood")),
        since=_day("onset_on"),
        status_since=_day("status_since"),
        planned=_day("planned_on"),
        plan=pl.col("site_id").replace_strict(plan_pages(night), default=None, return_dtype=pl.String),
        visited=_day("last_visit_on"),
        need=home_group().replace_strict(need, default=None, return_dtype=pl.String),
        nights=pl.col("nights").cast(pl.Int64) if "nights" in scores.columns else pl.lit(None, pl.Int64),
        slopes=_slopes(scores.columns),
    ).sort("key", "site_id")


def _day(column: str) -> pl.Expr:
    return pl.col(column).cast(pl.Date).dt.to_string("%-d %b %Y")


def _slopes(columns: list[str]) -> pl.Expr:
    """Return the slopes on production in one text, null where none was measured; `lines` is how many a home has."""
    parts = [
        pl.format("{} {}", pl.lit(line.upper()), _signed(f"slope_{line}"))
        for line in LINES
        if f"slope_{line}" in columns
    ]
    together = pl.col("lines").replace_strict(_TOGETHER, default=None, return_dtype=pl.String)
    if "slope_sum" in columns:
        parts.append(pl.format("{} {}", together, _signed("slope_sum")))
    measured = pl.concat_str(parts, separator=", ", ignore_nulls=True)
    expected = pl.format("{} W per W of PV, right is {}", measured, _right(columns))
    plain = pl.format("{} W per W of PV", measured)
    return pl.when(measured != "").then(pl.coalesce(expected, plain))


def _right(columns: list[str]) -> pl.Expr:
    """Return the slope of a right line, and on which lines where production feeds only some."""
    right = _signed("slope_expected")
    of_each = pl.col("lines").replace_strict(
        {count: f" a {line_words(count).one}" for count in (2, 3)}, default=""
    )
    alike = pl.format("{}{}", right, of_each)
    shares = {line: f"pv_share_{line}" for line in LINES}
    if not set(shares.values()) <= set(columns):
        return alike
    is_fed = {line: pl.col(share) > 0 for line, share in shares.items()}
    fed = pl.concat_str(
        [pl.when(fed).then(pl.lit(line.upper())) for line, fed in is_fed.items()],
        separator=", ",
        ignore_nulls=True,
    )
    by_line = pl.format("{} on {}, 0.00 elsewhere", right, fed)
    is_some = (
        (pl.col("lines") == 3) & ~pl.all_horizontal(is_fed.values()) & pl.any_horizontal(is_fed.values())
    )
    return pl.when(is_some).then(by_line).otherwise(alike)


def _signed(column: str) -> pl.Expr:
    """Return a slope with its sign and two decimals, as `words.number` writes it."""
    size = pl.col(column).abs().round(2)
    hundredths = (size * 100).round(0).cast(pl.Int64)
    sign = (
        pl.when(hundredths == 0)
        .then(pl.lit(""))
        .when(pl.col(column) < 0)
        .then(pl.lit("−"))
        .otherwise(pl.lit("+"))
    )
    decimals = (hundredths % 100).cast(pl.String).str.zfill(2)
    text = pl.format("{}{}.{}", sign, hundredths // 100, decimals)
    return pl.when(pl.col(column).is_finite().fill_null(False)).then(text)
