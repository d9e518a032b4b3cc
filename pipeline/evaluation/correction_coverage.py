"""How well past readings are put right: corrected rows of invented fleets beside what right installs would have read.

A fleet goes through a night and `correct` as a user's does: which homes, which fault, since when and how severe is what
the night and the history say, wrong as they may be.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.line_columns import has_line
from pipeline.core.quantiles import Z95
from pipeline.core.services import LINES
from pipeline.core.settings import Settings
from pipeline.correction.findings import shipped_stages
from pipeline.correction.layout import EXACT
from pipeline.correction.run import CorrectionRequest, correct_lake
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.simulate.families.fleet import write_unlike_lake
from pipeline.simulate.families.spec import STREETS, Family, UnlikeSpec
from pipeline.simulate.lake import write_lake
from pipeline.simulate.right_readings import right_readings
from pipeline.simulate.spec import FleetSpec

TOLERANCE_W = 0.06  # readings are written to a tenth of a watt
SLACK_SHARE = 0.005  # of the energy that legs carry: less than an in-class install resolves
FAMILIES = (STREETS, "weather", "measured")
_TRUE = {line: f"t{number}" for number, line in enumerate(LINES, start=1)}  # what a leg truly carried
_KEY = ["site_id", "interval_start"]


@dataclass(frozen=True)
class CoverageRequest:
    """`sites` homes of each family over `days`, `fault_share` of them faulty, from `seed` on."""

    sites: int = 600
    days: int = 60
    seed: int = 41
    fault_share: float = 0.25
    families: tuple[str, ...] = FAMILIES


@dataclass(frozen=True)
class Coverage:
    """What was measured.

    `fault` has a row a family and fault that was there: homes, rows, `row_coverage` [share] of corrected wrong powers
    whose 95 % interval holds the truth, mean width and error [W], `kwh_coverage` [share] of homes whose interval of net
    energy does, median widths and errors as a share of what the home's legs carry (reported and corrected).
    `left` counts rows by family, fault, method and reason. `mistaken` has, by family, corrected home-days on which
    nothing was wrong with the home (before the onset, or a sound home).
    """

    fault: pl.DataFrame
    left: pl.DataFrame
    mistaken: pl.DataFrame


def measure_coverage(
    request: CoverageRequest, settings: Settings, tell: Callable[[str], None] = lambda line: None
) -> Coverage:
    """Return how well readings of each family's fleet are put right."""
    parts: list[Coverage] = []
    for number, family in enumerate(request.families):
        tell(f"fleet of family {family}")
        with tempfile.TemporaryDirectory(prefix="nightclamp-coverage-") as folder:
            parts.append(_measure(family, request, Path(folder), request.seed + number, settings))
    return Coverage(
        *(pl.concat([getattr(part, name) for part in parts]) for name in ("fault", "left", "mistaken"))
    )


def _measure(family: str, request: CoverageRequest, folder: Path, seed: int, settings: Settings) -> Coverage:
    sizes = {"sites": request.sites, "days": request.days, "seed": seed, "fault_share": request.fault_share}
    lake, out = folder / "lake", folder / "out"
    if family == STREETS:
        streets = FleetSpec(**sizes)  # type: ignore[arg-type]
        write_lake(streets, lake, workers=2)
        right = pl.concat(right_readings(streets))
    else:
        kind: Family = family  # type: ignore[assignment]
        unlike = UnlikeSpec(**sizes, family=kind)  # type: ignore[arg-type]
        write_unlike_lake(unlike, lake, workers=2)
        right = pl.concat(right_readings(unlike))
    run_night(NightRequest(lake, out), settings)
    correct_lake(CorrectionRequest(lake, out), settings, shipped_stages())
    truth = pl.read_csv(lake / "truth.csv", try_parse_dates=True, infer_schema_length=None)
    return compare(family, out / "corrected", right, truth=truth)


def compare(family: str, corrected: Path, right: pl.DataFrame, *, truth: pl.DataFrame) -> Coverage:
    """Return how far a folder of corrected rows lies from what right installs would have read.

    Parameters
    ----------
    family
        Of the fleet.
    corrected
        OUT/corrected.
    right
        `right_readings` of all homes.
    truth
        truth.csv: `site_id`, `fault`, `leg`, `onset_on`.
    """
    rows = pl.scan_parquet(corrected / "date=*/*.parquet", hive_partitioning=False)
    third = [] if "l3_w" in right.columns else [pl.lit(None, pl.Float64).alias("l3_w")]
    truths = (
        right.lazy()
        .with_columns(third)
        .rename({f"{line}_w": true for line, true in _TRUE.items()} | {"pv_w": "tp"})
    )
    facts = truth.lazy().select(
        "site_id",
        true_fault="fault",
        true_leg=pl.col("leg").cast(pl.String),
        onset_on=pl.col("onset_on").cast(pl.Date),
    )
    told = rows.join(truths, on=_KEY, how="left").join(facts, on="site_id").with_columns(
        day=pl.col("interval_start").dt.date(), family=pl.lit(family)
    ).with_columns(is_wrong=_is_wrong()).collect()  # fmt: skip
    really = told.filter("is_wrong")
    by_row = _by_row(really)
    by_home = _by_home(really)
    keys = ["family", "true_fault"]
    return Coverage(
        by_row.join(by_home, on=keys, how="left").sort(keys),
        really.group_by(*keys, "method", "reason").agg(rows=pl.len(), homes=pl.col("site_id").n_unique())
        .sort(*keys, "method", "rows"),
        told.filter("is_corrected").group_by("family").agg(
            home_days=pl.struct("site_id", "day").n_unique(),
            mistaken_days=pl.struct("site_id", "day").filter(~pl.col("is_wrong")).n_unique(),
            sound_homes=pl.col("site_id").filter(pl.col("true_fault") == "sound").n_unique(),
        ),
    )  # fmt: skip


def pooled(fault: pl.DataFrame) -> pl.DataFrame:
    """Return table `fault` over all families: means weighted by rows, the coverage of kWh by homes."""
    by_rows = ("exact_share", "named_share", "row_coverage", "width_w", "error_w", "truth_w")
    by_homes = ("kwh_coverage", "kwh_width_share", "reported_error_share", "corrected_error_share")
    weighted = [
        ((pl.col(name) * pl.col(weight)).sum() / pl.col(weight).sum()).alias(name)
        for weight, names in (("rows", by_rows), ("homes", by_homes))
        for name in names
    ]
    return fault.group_by("true_fault").agg(pl.col("homes", "rows").sum(), *weighted).sort("true_fault")


def _is_wrong() -> pl.Expr:
    """Tell whether the home's fault was there all that day."""
    began = pl.col("onset_on").fill_null(date.min)
    return (pl.col("true_fault") != "sound") & (pl.col("day") > began)


def _by_row(rows: pl.DataFrame) -> pl.DataFrame:
    """Return coverage, width and error of the powers of wrong legs, by family and true fault."""
    legs = []
    for leg, truth in _TRUE.items():
        low, high = pl.col(f"{leg}_w_low") - TOLERANCE_W, pl.col(f"{leg}_w_high") + TOLERANCE_W
        is_put = pl.col("is_corrected") & has_line(pl.col("leg"), leg) & pl.col(f"{leg}_w").is_not_null()
        legs.append(
            rows.filter(is_put, pl.col(truth).is_not_null()).select(
                "family", "true_fault", "site_id", is_in=pl.col(truth).is_between(low, high), width=high - low,
                error=(pl.col(f"{leg}_w") - pl.col(truth)).abs(), size=pl.col(truth).abs(),
                is_exact=pl.col("method") == EXACT, is_named=pl.col("fault") == pl.col("true_fault"),
            )
        )  # fmt: skip
    return (
        pl.concat(legs).group_by("family", "true_fault")
        .agg(
            homes=pl.col("site_id").n_unique(), rows=pl.len(), exact_share=pl.col("is_exact").mean(),
            named_share=pl.col("is_named").mean(), row_coverage=pl.col("is_in").mean(), width_w=pl.col("width").mean(),
            error_w=pl.col("error").mean(), truth_w=pl.col("size").mean(),
        )
    )  # fmt: skip


def _by_home(rows: pl.DataFrame) -> pl.DataFrame:
    """Return coverage and size of homes' whole net energy, by family and true fault.

    As `correction.energy_sums` has it: what errs alike adds up, a factor with its sign, what scatters in squares.
    """
    true, corrected = pl.col("t1"), pl.col("l1_w")
    reported, carried = pl.col("l1_w_reported").fill_null(0.0), pl.col("t1").abs()
    for leg, truth in list(_TRUE.items())[1:]:
        is_there = pl.col(f"{leg}_w").is_not_null() | pl.col(f"{leg}_w_reported").is_not_null()
        true = true + pl.when(is_there).then(truth).otherwise(0.0)
        corrected = corrected + pl.when(is_there).then(f"{leg}_w").otherwise(0.0)
        reported = reported + pl.col(f"{leg}_w_reported").fill_null(0.0)
        carried = carried + pl.col(truth).abs().fill_null(0.0)
    net = {"t": true, "c": corrected, "r": reported}
    hours = (
        rows.filter("is_corrected")
        .with_columns(**net, carried=carried, hour=pl.col("interval_start").dt.truncate("1h"))
        .drop_nulls(["t", "c"])
        .group_by("family", "true_fault", "site_id", "hour")
        .agg(
            pl.col("t", "c", "r", "carried").sum(), low=pl.col("sum_w_low").sum(), high=pl.col("sum_w_high").sum(),
            scatter=pl.col("sum_w_scatter").sum(), common=pl.col("sum_w_common").sum(),
            size=pl.col("sum_w_common").abs().sum(),
        )
    )  # fmt: skip
    homes = hours.group_by("family", "true_fault", "site_id").agg(
        pl.col("t", "c", "r", "carried", "low", "high", "common", "size").sum(),
        variance=(pl.col("scatter") ** 2).sum(),
    )
    reach = (Z95**2 * pl.col("variance")).alias("reach")
    factor, rest = Z95 * pl.col("common").abs(), Z95 * pl.col("size")
    below, above = (pl.col("c") - pl.col("low") - rest).clip(0), (pl.col("high") - pl.col("c") - rest).clip(0)
    low = pl.col("c") - ((below + factor) ** 2 + reach).sqrt()
    high = pl.col("c") + ((above + factor) ** 2 + reach).sqrt()
    slack = SLACK_SHARE * pl.col("carried")
    return homes.group_by("family", "true_fault").agg(
        kwh_coverage=pl.col("t").is_between(low - slack, high + slack).mean(),
        kwh_width_share=((high - low) / pl.col("carried")).median(),
        reported_error_share=((pl.col("r") - pl.col("t")).abs() / pl.col("carried")).median(),
        corrected_error_share=((pl.col("c") - pl.col("t")).abs() / pl.col("carried")).median(),
    )
