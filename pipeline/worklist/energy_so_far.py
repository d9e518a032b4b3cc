"""How much energy the listed homes have misreported so far: a sum over the days that the store has of them.

Each day's energy is what the suspected fault's `wrong_kwh_day` gives for that day's own readings; what no single day
knows (gains, who leaks into whom) comes from the window. A day that is covered in part counts as a whole one of the
same mean power, one covered by less than LEAST_COVERAGE not at all, and no day before the first that is known counts.
All of it stands under the condition that the home has the suspected fault on the suspected leg.

The interval holds nine of ten, from three independent sources that add in squares:

- how well the energy of this kind of fault can be told from readings at all: the fault's `wrong_kwh_span`, measured on
  invented homes; where it has none the sum is not known;
- the standard errors of the gains, slopes and leaks that the home's own formula uses, each moved up and down by its
  error for all days together;
- what wasn't seen of partly covered days: their unseen share of a day, by the home's day-to-day scatter.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date

import polars as pl

from pipeline.core.line_columns import lines_in
from pipeline.core.services import LINES
from pipeline.faults.energy_error import LEAST_READ_KWH_DAY, line_counts
from pipeline.faults.types import Fault
from pipeline.worklist.last_visit import UNFIXED

# Columns of site_day that a day's energy is made of; days may also have `l3_abs_wh`, of homes with three lines.
DAY_COLUMNS = ("covered_min", "l1_abs_wh", "l2_abs_wh", "pv_wh")
COLUMNS: dict[str, pl.DataType] = {
    "days_so_far": pl.Int64(), "kwh_so_far": pl.Float64(), "kwh_so_far_low": pl.Float64(),
    "kwh_so_far_high": pl.Float64(), "kwh_read_so_far": pl.Float64(), "so_far_from": pl.Date(),
    "so_far_to": pl.Date(),
}  # fmt: skip
SCHEMA = pl.Schema({"site_id": pl.String(), **COLUMNS})
LEAST_COVERAGE = 0.25
NINE_OF_TEN = 1.645  # standard errors
LEAST_SCATTER = 0.3  # of a day's mean energy: a few days say little about how much days differ
# Estimates of the window that a formula may use, and their standard errors.
ERRORS = {
    "gain_sum": "gain_sum_se",
    **{f"gain_{line}": f"gain_{line}_se" for line in LINES},
    **{f"meter_gain_{line}": "meter_gain_se" for line in LINES},
    **{f"pair_log_ratio{pair}": f"pair_log_se{pair}" for pair in ("", "_23", "_31")},
    **{f"leak_{line}": f"leak_{line}_se" for line in LINES},
}
# Homes and the first day wanted -> `site_id`, `day`, DAY_COLUMNS (`features.home_days.read_home_days`).
HomeDayReader = Callable[[Sequence[str], date], pl.DataFrame]


def no_home_days(homes: Sequence[str], from_on: date) -> pl.DataFrame:
    """Return no day of any home."""
    return pl.DataFrame(
        schema={"site_id": pl.String, "day": pl.Date, **dict.fromkeys(DAY_COLUMNS, pl.Float64)}
    )


def first_days(
    standing: pl.DataFrame, signals: pl.DataFrame, listed_before: pl.DataFrame | None
) -> pl.DataFrame:
    """Return `site_id`, `from_on`, the first day on which the fault is known to be there, of listed homes with data.

    The day of the change, if the window has one; else where the sum of the night before began, if the home was listed
    then; else the first day that speaks for it in the window. After a visit that left nothing undone (a home can still
    be wrong then) only the days since count.
    """
    schema = pl.Schema({"site_id": pl.String, "so_far_from": pl.Date})
    before = pl.DataFrame(schema=schema)
    if listed_before is not None and "so_far_from" in listed_before.columns:
        before = listed_before.select(schema.names()).cast(schema)
    visit, was_left = pl.col("last_visit_on"), (pl.col("outcome") == UNFIXED).fill_null(False)
    return (
        standing.filter("is_listed").select("site_id", "last_visit_on", "outcome")
        .join(signals.select("site_id", "from_on", "changed_on"), on="site_id")
        .join(before, on="site_id", how="left")
        .with_columns(start=pl.coalesce("changed_on", "so_far_from", "from_on"))
        .select(
            "site_id",
            from_on=pl.max_horizontal("start", pl.when(~was_left).then(visit + pl.duration(days=1))),
        )
    )  # fmt: skip


def energy_so_far(
    homes: pl.DataFrame,
    signals: pl.DataFrame,
    days: pl.DataFrame,
    *,
    starts: pl.DataFrame,
    as_of: date,
    catalogue: Mapping[str, Fault],
) -> pl.DataFrame:
    """Return SCHEMA of each home of `starts`.

    `kwh_so_far` [kWh] with its interval is null where the fault's energy can't be told, `kwh_read_so_far` [kWh] is what
    the consumption channels read over the same days; a home without a day has 0 `days_so_far` and null otherwise.

    Parameters
    ----------
    homes
        `site_id`, `fault`, `leg`: what is suspected; a leg that isn't one of the fault's counts as the least of them.
    signals
        Table site_signal.
    days
        `site_id`, `day` and DAY_COLUMNS: rows of site_day of these homes.
    starts
        `first_days`.
    as_of
        Last day that counts.
    catalogue
        The faults by name.
    """
    coverage = (pl.col("covered_min") / 1440).clip(0, 1)
    lines = lines_in(days.columns, "{}_abs_wh")
    count = signals.select("site_id", lines=line_counts(signals).clip(1, len(lines)))
    known = (
        days.join(starts, on="site_id")
        .filter(pl.col("day").is_between(pl.col("from_on"), pl.lit(as_of)))
        .with_columns(coverage=coverage)
        .filter(pl.col("coverage") >= LEAST_COVERAGE)
        .select(
            "site_id", "day", "coverage",
            *(
                (pl.col(f"{name}_wh") / 1000 / pl.col("coverage")).alias(f"{channel}_kwh_day")
                for name, channel in [*((f"{line}_abs", line) for line in lines), ("pv", "pv")]
            ),
        )
        .join(homes.select("site_id", "fault", "leg"), on="site_id")
        .join(count, on="site_id", how="left", maintain_order="left")
    )  # fmt: skip
    window = signals.join(starts.select("site_id"), on="site_id", how="semi")  # of a big fleet a few homes
    sums = [
        _sum_of(
            catalogue[fault].energy_kwh_day(leg, count or 2), catalogue[fault].wrong_kwh_span, alike, window
        )
        for (fault, leg, count), alike in known.partition_by(
            "fault", "leg", "lines", as_dict=True, maintain_order=True
        ).items()
        if fault in catalogue
    ]
    return (
        starts.select("site_id")
        .join(
            pl.concat([SCHEMA.to_frame(), *sums], how="vertical_relaxed"),
            on="site_id",
            how="left",
            maintain_order="left",
        )
        .with_columns(pl.col("days_so_far").fill_null(0))
    )


def _sum_of(
    energy: pl.Expr, span: tuple[float, float] | None, days: pl.DataFrame, signals: pl.DataFrame
) -> pl.DataFrame:
    """Return the sums of homes whose energy misreported a day is the same expression, by their days."""
    lines = lines_in(days.columns, "{}_kwh_day")
    read = [f"{line}_kwh_day" for line in lines]
    daily = {*read, "pv_kwh_day"}
    needed = {*energy.meta.root_names(), *read}
    errors = {name: ERRORS[name] for name in sorted(needed & set(ERRORS))}
    window = signals.select("site_id", *sorted((needed | set(errors.values())) & set(signals.columns)))
    rows = days.join(window.rename({name: f"{name}_window" for name in daily & needed}), on="site_id")
    values = _day_energy(rows, energy, errors, lines=lines)
    mean, unseen = pl.col("kwh").mean(), 1 - pl.col("coverage")
    scatter = pl.max_horizontal(pl.col("kwh").std().fill_null(0.0), LEAST_SCATTER * mean)
    sums = (
        rows.select("site_id", "day", "coverage", *read).hstack(values)
        .group_by("site_id", maintain_order=True)
        .agg(
            days_so_far=pl.len().cast(pl.Int64),
            kwh_so_far=pl.col("kwh").sum(),
            kwh_read_so_far=sum((pl.col(name).fill_null(0.0).sum() for name in read), pl.lit(0.0)),
            so_far_from=pl.col("day").min(),
            so_far_to=pl.col("day").max(),
            error=(
                sum((pl.col(f"step_{name}").sum() ** 2 for name in errors), pl.lit(0.0))
                + scatter**2 * (unseen**2).sum()
            ).sqrt(),
        )
    )  # fmt: skip
    return _with_interval(sums, span).select(SCHEMA.names()).cast(SCHEMA)


def _with_interval(sums: pl.DataFrame, span: tuple[float, float] | None) -> pl.DataFrame:
    """Return the sums with `kwh_so_far_low` and `kwh_so_far_high`; without a span none of them is known."""
    if span is None:
        return sums.with_columns(
            pl.lit(None, pl.Float64).alias(f"kwh_so_far{end}") for end in ("", "_low", "_high")
        )
    middle, error = pl.col("kwh_so_far"), NINE_OF_TEN * pl.col("error")
    below, above = ((middle * (1 - factor)) ** 2 + error**2 for factor in span)
    return sums.with_columns(
        kwh_so_far_low=(middle - below.sqrt()).clip(0), kwh_so_far_high=middle + above.sqrt()
    )


def _day_energy(
    rows: pl.DataFrame, energy: pl.Expr, errors: Mapping[str, str], *, lines: Sequence[str]
) -> pl.DataFrame:
    """Return `kwh` of each row by its own day's readings, and `step_NAME`, how much each estimate's error moves it.

    A line that usually reads something stands for the others also on a day without load, when the formulas would take
    an average home instead: then it is lifted to the least that they accept. All variants of a row (lifted or not, each
    estimate up, down or as it is) are worked out in one go: many small frames would cost more than their numbers.
    """
    signs = [dict.fromkeys(errors, 0)]
    signs += [signs[0] | {name: sign} for name in errors for sign in (1, -1)]
    variants = pl.DataFrame(
        [{"is_lifted": is_lifted} | {f"sign_{name}": sign for name, sign in one.items()} for one in signs
         for is_lifted in (False, True)]
    )  # fmt: skip
    moved = [
        pl.col(name) + pl.col(f"sign_{name}") * pl.col(error).cast(pl.Float64).fill_nan(None).fill_null(0.0)
        for name, error in errors.items()
    ]
    lifted = [
        pl.when(pl.col("is_lifted") & (pl.col(f"{line}_kwh_day_window") >= LEAST_READ_KWH_DAY))
        .then(pl.col(f"{line}_kwh_day").clip(LEAST_READ_KWH_DAY))
        .otherwise(f"{line}_kwh_day")
        .alias(f"{line}_kwh_day")
        for line in lines
    ]
    kwh = (
        rows.join(variants, how="cross", maintain_order="left_right")
        .with_columns(*moved, *lifted)
        .with_columns(kwh=energy.cast(pl.Float64).fill_nan(None).fill_null(0.0))["kwh"]
        .to_numpy().reshape(rows.height, len(signs), 2).min(axis=2)
    )  # fmt: skip
    steps = {
        f"step_{name}": (kwh[:, 1 + 2 * place] - kwh[:, 2 + 2 * place]) / 2
        for place, name in enumerate(errors)
    }
    return pl.DataFrame({"kwh": kwh[:, 0], **steps})
