"""Rows of episodes put right: under the suspected fault, with an interval that covers its rival too.

A row is exact where its value has no error, estimated where it has one (also because a rival fault would give another
value), as reported where nothing was wrong in it, and empty where nothing tells what a right install would have read.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.core.contract import MEASURES, THIRD_LINE
from pipeline.core.quantiles import Z95
from pipeline.core.services import LINES
from pipeline.correction.hypothesis import Hypothesis, put_right
from pipeline.correction.layout import AS_REPORTED, CORRECTED, EMPTY, ESTIMATED, EXACT, OF_EPISODE
from pipeline.correction.raw_readings import with_raw
from pipeline.correction.reading_facts import ReadingFacts
from pipeline.correction.unseen import Witnesses
from pipeline.faults.fault_text import fault_title
from pipeline.faults.permutations import read_wiring
from pipeline.faults.types import Fault

RIVAL = "it could also be {}, and then nothing tells"
FACTS = ("minutes", "error_w", "error_share", "volt_share")
_KEY = ("site_id", "interval_start")
_POWERS = (*(f"{leg}_w" for leg in LINES), "pv_w")
_SEVERITY = (*(f"gain_{leg}{end}" for leg in LINES for end in ("", "_se")), "ratio", "ratio_se")
_CASE = ("fault", "leg", "service", "is_upstream", "factor", "wiring")


def correct_rows(
    rows: pl.DataFrame,
    episodes: pl.DataFrame,
    *,
    sites: pl.DataFrame,
    witnesses: Witnesses,
    catalogue: Mapping[str, Fault],
) -> pl.DataFrame:
    """Return CORRECTED, one row for each of `rows` in the same order.

    Parameters
    ----------
    rows
        Used rows of the contract of any days, sorted by home and start; each within an episode of its home.
    episodes
        EPISODE, without those that have `why_not`.
    sites
        `site_id` and `longitude` [degrees].
    witnesses
        What tells of legs that weren't seen.
    catalogue
        The faults by name.

    Raises
    ------
    ValueError
        A row lies in no episode.
    """
    if rows.is_empty():
        return pl.DataFrame(schema=CORRECTED)
    rows = rows.select(
        "site_id", "interval_start", pl.col(MEASURES).cast(pl.Float64),
        *(pl.col(name) if name in rows.columns else pl.lit(None).alias(name) for name in THIRD_LINE),
    ).with_columns(pl.col(THIRD_LINE).cast(pl.Float64))  # fmt: skip
    placed = _with_episode(rows, episodes).join(
        sites.select("site_id", "longitude"), on="site_id", how="left", maintain_order="left"
    )
    placed = with_raw(_with_facts(placed, witnesses)).with_row_index("place")
    main = _under(placed, "fault", "leg", witnesses, catalogue)
    rival = _under(
        placed.filter(pl.col("rival_fault").is_not_null()), "rival_fault", "rival_leg", witnesses, catalogue
    )
    return _assemble(placed, _with_rival(main, rival))


def _with_facts(rows: pl.DataFrame, witnesses: Witnesses) -> pl.DataFrame:
    """Return the rows with FACTS of their homes."""
    facts = {
        site: witnesses.facts.get(site, ReadingFacts())
        for site in rows["site_id"].unique(maintain_order=True)
    }
    table = pl.DataFrame(
        [
            (site, fact.minutes, fact.error_w, fact.error_share, fact.volt_share)
            for site, fact in facts.items()
        ],
        schema={"site_id": pl.String, **dict.fromkeys(FACTS, pl.Float64)},
        orient="row",
    )
    return rows.join(table, on="site_id", how="left", maintain_order="left")


def _with_episode(rows: pl.DataFrame, episodes: pl.DataFrame) -> pl.DataFrame:
    """Return the rows beside the episode that each lies in."""
    day = pl.col("interval_start").dt.date()
    wanted = episodes.select(
        "site_id", "fault", "leg", "likelihood", "from_on", "to_on", *OF_EPISODE, *_SEVERITY, "rival_fault",
        "rival_leg", "wiring",
    ).sort("site_id", "from_on")  # fmt: skip
    found = rows.with_columns(day=day).join_asof(
        wanted, left_on="day", right_on="from_on", by="site_id", strategy="backward", check_sortedness=False
    )
    is_in = pl.col("fault").is_not_null() & (pl.col("day") <= pl.col("to_on").fill_null(pl.col("day")))
    outside = found.filter(~is_in)
    if outside.height:
        row = outside.row(0, named=True)
        raise ValueError(f"{row['site_id']} {row['interval_start']}: no episode on that day")
    return found.drop("day", "from_on", "to_on")


def _under(
    rows: pl.DataFrame,
    fault: str,
    leg: str,
    witnesses: Witnesses,
    catalogue: Mapping[str, Fault],
) -> pl.DataFrame:
    """Return `place`, bounds and values of each row if its home has that fault; all possible factors are covered."""
    factors = pl.DataFrame(
        [(site, factor) for site, each in witnesses.production_factor.items() for factor in each],
        schema={"site_id": pl.String, "factor": pl.Float64},
        orient="row",
    )
    needing = [name for name, each in catalogue.items() if "production_factor" in each.inverse_needs]
    cases = (
        rows.with_columns(fault=fault, leg=leg)
        .join(factors, on="site_id", how="left", maintain_order="left_right")
        .with_columns(factor=pl.when(pl.col("fault").is_in(needing)).then(pl.col("factor").fill_null(2.0)))
        .unique(["place", "factor"], maintain_order=True)
    )
    parts = []
    for key, alike in cases.partition_by(*_CASE, as_dict=True, maintain_order=True).items():
        name, where, service, is_upstream, factor, wiring = key
        each = catalogue[str(name)]
        order, signs = (None, None) if wiring is None or each.wirings is None else read_wiring(str(wiring))
        case = Hypothesis(
            each, _leg_of(each, where, str(service)), str(service), bool(is_upstream),
            2.0 if factor is None else float(factor), order, signs,  # type: ignore[arg-type]
        )  # fmt: skip
        parts.append(put_right(alike, case, witnesses).with_columns(place=alike["place"]))
    if not parts:
        return pl.DataFrame(schema={"place": pl.get_index_type()})
    return _covering(pl.concat(parts, how="vertical_relaxed"))


def _leg_of(fault: Fault, leg: object, service: str) -> str:
    """Return the leg if the fault can have it, else the first that it can."""
    legs = fault.legs_on(service)
    return str(leg) if leg in legs else legs[0]


def _covering(values: pl.DataFrame) -> pl.DataFrame:
    """Return one row a place: the first value, with sums' bounds and an interval that covers all of the place."""
    is_absent = pl.col("method") != EMPTY  # else it is empty
    total = pl.col("l1_w")
    for leg in LINES[1:]:
        power = pl.col(f"{leg}_w")
        total = total + pl.when(power.is_null() & is_absent).then(0.0).otherwise(power)
    with_sum = values.with_columns(
        sum_w_low=total - Z95 * pl.col("common").abs(), sum_w_high=total + Z95 * pl.col("common").abs()
    )
    if with_sum["place"].is_unique().all():
        return with_sum.sort("place")
    lows = [f"{name}_low" for name in (*_POWERS, "sum_w")]
    highs = [f"{name}_high" for name in (*_POWERS, "sum_w")]
    method = pl.col("method")
    are_apart = (pl.len() > 1) & (method != AS_REPORTED).all()
    together = (
        pl.when((method == EMPTY).any()).then(pl.lit(EMPTY)).when(are_apart).then(pl.lit(ESTIMATED))
        .otherwise(method.first())
    )  # fmt: skip
    return (
        with_sum.group_by("place", maintain_order=True)
        .agg(
            pl.exclude("place", *lows, *highs, "scatter", "method").first(),
            pl.col(lows).min(),
            pl.col(highs).max(),
            pl.col("scatter").max(),
            method=together,
        )
        .sort("place")
    )


def _with_rival(main: pl.DataFrame, rival: pl.DataFrame) -> pl.DataFrame:
    """Return the values under the main fault with bounds that also hold the rival's; empty where that has none."""
    if rival.is_empty():
        return main
    both = main.join(rival, on="place", how="left", suffix="_rival", maintain_order="left")
    has_rival = pl.col("method_rival").is_not_null() & (pl.col("method") != EMPTY)
    put: dict[str, pl.Expr] = {}
    for name in (*_POWERS, "sum_w"):
        low, high = pl.col(f"{name}_low"), pl.col(f"{name}_high")
        put[f"{name}_low"] = (
            pl.when(has_rival).then(pl.min_horizontal(low, f"{name}_low_rival")).otherwise(low)
        )
        put[f"{name}_high"] = (
            pl.when(has_rival).then(pl.max_horizontal(high, f"{name}_high_rival")).otherwise(high)
        )
    is_lost = has_rival & (pl.col("method_rival") == EMPTY)
    is_apart = pl.any_horizontal(
        (put[f"{name}_high"] - put[f"{name}_low"]).fill_null(0.0) > 1e-9 for name in _POWERS
    )
    put["scatter"] = pl.max_horizontal("scatter", "scatter_rival")
    put["method"] = (
        pl.when(is_lost).then(pl.lit(EMPTY))
        .when(has_rival & is_apart & (pl.col("method") == EXACT)).then(pl.lit(ESTIMATED))
        .otherwise("method")
    )  # fmt: skip
    put["is_lost"] = is_lost
    return both.with_columns(**put).select(*main.columns, "is_lost")


def _assemble(placed: pl.DataFrame, values: pl.DataFrame) -> pl.DataFrame:
    """Return CORRECTED of the rows and their values, both sorted by place."""
    if "is_lost" not in values.columns:
        values = values.with_columns(is_lost=pl.lit(False))
    titles = {name: fault_title(name) for name in placed["rival_fault"].drop_nulls().unique()}
    rival = placed["rival_fault"].replace_strict(titles, default=None, return_dtype=pl.String)
    frame = placed.select(
        *_KEY, *MEASURES, *THIRD_LINE, "fault", "leg", "likelihood",
        *(pl.col(name).alias(f"{name}_reported") for name in _POWERS),
    ).with_columns(values.drop("place").rename({"common": "sum_w_common"}))  # fmt: skip
    is_empty, is_lost = pl.col("method") == EMPTY, pl.col("is_lost")
    bounds = [f"{name}_{end}" for name in (*_POWERS, "sum_w") for end in ("low", "high")] + ["sum_w_common"]
    lost = pl.when(is_lost).then(None)
    return (
        frame.with_columns(
            *(lost.otherwise(pl.col(name)).alias(name) for name in (*(f"{leg}_w" for leg in LINES), *bounds)),
            reason=pl.when(is_lost).then(pl.format(RIVAL, rival)).otherwise("reason"),
        )
        .with_columns(
            *(pl.when(is_empty).then(None).otherwise(pl.col(name)).alias(name) for name in ("sum_w_low", "sum_w_high")),
            is_corrected=pl.col("method").is_in([EXACT, ESTIMATED]), sum_w_scatter="scatter",
        )
        .select(CORRECTED.names())
        .cast(CORRECTED)  # type: ignore[arg-type]
    )  # fmt: skip
