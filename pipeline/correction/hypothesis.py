"""What a right install would have read, if a home has one certain fault on a certain leg: values, errors and method.

Raw readings (production that the source added back taken out) are put right, then what a right install's source would
have added is added again. What the fault left of a reading (`Fault.remains`) decides how:

- all: by the fault's inverse, exact but for what it must know (a ratio, voltages) with its error;
- share: the reading over its gain; upstream share: so where the CTs see the solar power;
- gaps: only where the leg reads nothing, and beside such rows;
- nothing, noisy: the utility's meter less the other leg, else (nothing, gaps) what usually goes with the other leg.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.core.quantiles import Z95
from pipeline.core.services import LINES, lines_of, service_of
from pipeline.correction.layout import AS_REPORTED, EMPTY, ESTIMATED, EXACT
from pipeline.correction.reported_rows import as_reported
from pipeline.correction.unseen import Witnesses, channels_of, unseen_legs
from pipeline.faults.channels import Channels, Order, Repair, Signs
from pipeline.faults.types import Fault

# Standard deviations, as shares: of two legs' voltages where they aren't recorded; of what another CT and voltage
# channel of class 1 read of the same leg, and a production channel, which nobody holds to a class; of a production
# channel from row to row, and of its change since the row before (it may be read some minutes later than the legs).
VOLTS_APART, OTHER_CHANNEL, PRODUCTION_CHANNEL, PRODUCTION, LATE = 0.01, 0.01, 0.02, 0.006, 0.12
# A loose core's phase lead skews the load it reads: a lead of 15 degrees at a mean power factor of .97 to .99 by
# tan(15) x tan(acos(.98)), alike in all rows, and by as much from row to row.
SKEW = 0.06
ZERO_W = 4.0  # a leg within this reads nothing
LEAST_V = 50.0  # a voltage channel below this is not connected
CUT_OFF = "the source cut off what was below 0, and nothing else tells"
NO_READING = "no reading"
NO_SEVERITY = "how much of the load is seen can't be told"
NO_WIRING = "which way the CTs are moved around can't be told"
OTHER_VOLTAGE = "production isn't metered by this line's voltage, or that can't be told"
NOT_RECORDED = "it takes reactive power, which wasn't recorded"
# A row is put right by rows of its own UTC day alone: a day corrected by itself comes out the same.
DAY = pl.col("interval_start").dt.date()


@dataclass(frozen=True)
class Hypothesis:
    """A fault on a leg of a home on this service; `production_factor`, `order` and `signs` as in `Repair`."""

    fault: Fault
    leg: str
    service: str
    is_upstream: bool
    production_factor: float = 2.0
    order: Order | None = None
    signs: Signs | None = None

    @property
    def lines(self) -> tuple[str, ...]:
        """The home's lines."""
        return service_of(self.service).lines

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels that its rows have, two or three."""
        return channels_of(self.lines)

    @property
    def is_ambiguous(self) -> bool:
        """Whether it may be more than one wiring, and nothing says which."""
        wirings = self.fault.wirings
        return self.order is None and wirings is not None and len(wirings(self.leg, len(self.lines))) > 1

    @property
    def wrong_legs(self) -> tuple[str, ...]:
        """The channels whose readings are wrong."""
        moved = [
            line for line, on in zip(self.lines, self.order or (), strict=False) if line != LINES[on - 1]
        ]
        turned = [line for line, sign in zip(self.lines, self.signs or (), strict=False) if sign < 0]
        wrong = {*lines_of(self.leg, len(self.lines)), *moved, *turned}
        return tuple(line for line in self.lines if line in wrong) or self.lines[:1]


def put_right(rows: pl.DataFrame, case: Hypothesis, witnesses: Witnesses) -> pl.DataFrame:
    """Return what a right install would have read in each row, as reported by its source.

    Columns: `l1_w`, `l2_w`, `l3_w`, `pv_w`, `l1_var`, `l2_var`, `l3_var`; of each power `_low` and `_high` (95 %);
    `common`, `scatter` [W], standard deviations of the sum of all legs, of what errs alike in all rows and row by row;
    `method`, `reason`, `factor_l1`, `factor_l2`, `factor_l3`. A wrong leg that can't be told is null and the method
    "empty"; what a home hasn't is null.

    Parameters
    ----------
    rows
        Contract rows with `raw_readings.ADDED`, the episode's severities, and `error_w` [W], `error_share` and
        `volt_share` (`ReadingFacts`), all of homes of this case.
    case
        The fault.
    witnesses
        What tells of a leg that wasn't seen.
    """
    remains = case.fault.remains
    if remains == "all":
        legs = _by_inverse(rows, case)
    elif remains == "share" or (remains == "upstream share" and case.is_upstream):
        legs = _by_gain(rows, case)
    else:
        legs = unseen_legs(rows, case.wrong_legs, witnesses, lines=case.lines, is_noisy=remains == "noisy")
    is_cut = pl.any_horizontal(pl.lit(False), *(f"is_cut_{leg}" for leg in case.wrong_legs))
    cut = rows.select(is_cut.alias("is_cut"))["is_cut"]
    if cut.any():
        seen = unseen_legs(rows, case.wrong_legs, witnesses, lines=case.lines)
        unknown = seen.with_columns(
            reason=pl.when(pl.col("method") == EMPTY).then(pl.lit(CUT_OFF)).otherwise("reason")
        )
        legs = legs.select(
            pl.when(cut).then(unknown[name]).otherwise(pl.col(name)).alias(name) for name in legs.columns
        )
    if remains == "gaps":
        legs = _only_gaps(rows, legs, case)
    return as_reported(rows, legs, case.lines, wrong_legs=case.wrong_legs)


def _blank(rows: pl.DataFrame, legs: Sequence[str]) -> pl.DataFrame:
    """Return the rows of these channels as they are, right and certain."""
    return rows.select(
        *(pl.col(f"raw_{leg}").alias(leg) for leg in legs), "pv_w", *(f"{leg}_var" for leg in legs),
        *(pl.col(f"raw_{leg}").alias(f"{leg}_{end}") for leg in legs for end in ("low", "high")),
        *(pl.lit(0.0).alias(f"{leg}_{end}") for leg in legs for end in ("common", "scatter")),
        pv_share=pl.lit(0.0), pv_scatter=pl.lit(0.0), is_shared=pl.lit(False), method=pl.lit(EXACT),
        reason=pl.lit(None, pl.String), **{f"factor_{leg}": pl.lit(1.0) for leg in legs},
    )  # fmt: skip


def _by_inverse(rows: pl.DataFrame, case: Hypothesis) -> pl.DataFrame:
    """Return the legs by the fault's inverse, with the error of what it must know."""
    fault, legs = case.fault, case.channels
    has_volts = _all_of(*((pl.col(f"{leg}_v") > LEAST_V) for leg in legs)).fill_null(False)
    volts = {f"{leg}_v": pl.when(has_volts).then(f"{leg}_v").otherwise(120.0) for leg in legs}
    numbers = {name: pl.col(name).cast(pl.Float64) for name in ("pv_w", *(f"{leg}_var" for leg in legs))}
    repair = Repair(
        case.leg, case.service, pl.col("ratio"), case.production_factor, order=case.order, signs=case.signs
    )

    def inverse(**given: pl.Expr) -> Channels:
        assert fault.inverse is not None
        raw = {f"{leg}_w": pl.col(f"raw_{leg}") for leg in legs}
        return fault.inverse(Channels(**(raw | numbers | volts | given)), repair)

    is_exchanged = "production_factor" in fault.inverse_needs
    needs_volts = "voltages" in fault.inverse_needs and len(case.lines) > 1
    by_ratio = (
        pl.col("ratio_se").fill_null(0.0) / pl.col("ratio").abs()
        if "ratio" in fault.inverse_needs
        else pl.lit(0.0)
    )
    channel = PRODUCTION_CHANNEL if is_exchanged else OTHER_CHANNEL
    by_class = (pl.col("volt_share") ** 2 + channel**2).sqrt()
    by_guess = (VOLTS_APART**2 + channel**2) ** 0.5
    by_volts = pl.when(has_volts).then(by_class).otherwise(by_guess) if needs_volts else pl.lit(0.0)
    is_exact = (by_ratio == 0) & (has_volts if needs_volts else pl.lit(True))
    right, blank = inverse(), _blank(rows, legs)
    # What a watt of each leg alone comes to: a factor, unless it comes from the other leg or from production.
    alone = {
        leg: inverse(pv_w=pl.lit(0.0), **{f"{each}_var": pl.lit(0.0) for each in legs}, **{
            f"{each}_w": pl.lit(1.0 if each == leg else 0.0) for each in legs
        })
        for leg in legs
    }  # fmt: skip
    factor = {leg: alone[leg].get(leg, "w").cast(pl.Float64) for leg in legs}
    put = rows.select(
        **{leg: right.get(leg, "w") for leg in legs}, pv_w=right.pv_w,
        **{f"{leg}_var": right.get(leg, "var") for leg in legs},
        share=(by_ratio**2 + by_volts**2).sqrt(), _is_exact=is_exact,
        **{f"factor_{leg}": pl.when(factor[leg] != 0).then(factor[leg]) for leg in legs},
        _has_readings=pl.all_horizontal(pl.col(f"raw_{leg}").is_not_null() for leg in case.wrong_legs),
        **{f"{leg}_noise": _noise(factor[leg], getattr(right, f"{leg}_w")) for leg in case.wrong_legs},
        **{f"{leg}_change": _change(getattr(right, f"{leg}_w")) for leg in case.wrong_legs},
        pv_scatter=_noise(pl.lit(abs(case.production_factor)), right.pv_w) if is_exchanged else pl.lit(0.0),
        _has_severity=pl.col("ratio").is_not_null() if "ratio" in fault.inverse_needs else pl.lit(True),
    )  # fmt: skip
    wrong = [pl.col(leg) for leg in case.wrong_legs]
    is_there = pl.all_horizontal(leg.is_not_null() for leg in wrong)
    errors: dict[str, pl.Expr] = {}
    for leg in case.wrong_legs:
        common = pl.col("share") * pl.col(leg)
        by_production = (
            (PRODUCTION * pl.col(leg)) ** 2 + (LATE * pl.col(f"{leg}_change")) ** 2 if is_exchanged else 0.0
        )
        scatter = (pl.col(f"{leg}_noise") ** 2 + by_production).sqrt()
        errors |= _errors(leg, pl.col(leg), common, scatter)
    method = (
        pl.when(~is_there)
        .then(pl.lit(EMPTY))
        .when("_is_exact")
        .then(pl.lit(EXACT))
        .otherwise(pl.lit(ESTIMATED))
    )
    lost = NO_WIRING if case.is_ambiguous else NOT_RECORDED
    if is_exchanged and len(case.lines) > 2:
        lost = OTHER_VOLTAGE
    why = (
        pl.when(is_there).then(None).when(~pl.col("_has_readings")).then(pl.lit(NO_READING))
        .when(~pl.col("_has_severity")).then(pl.lit(NO_SEVERITY))
        .otherwise(pl.lit(lost))
    )  # fmt: skip
    noises = [f"{leg}_{name}" for leg in case.wrong_legs for name in ("noise", "change")]
    return (
        blank.with_columns(put)
        .with_columns(
            **errors, pv_share=pl.col("share") if is_exchanged else pl.lit(0.0), is_shared=pl.lit(True), method=method,
            reason=why,
        )
        .drop("share", "_is_exact", "_has_readings", "_has_severity", *noises)
    )  # fmt: skip


def _errors(leg: str, value: pl.Expr, common: pl.Expr, scatter: pl.Expr) -> dict[str, pl.Expr]:
    """Return a leg's bounds, and both standard deviations that they are made of."""
    width = Z95 * (common**2 + scatter**2).sqrt()
    return {
        f"{leg}_low": value - width, f"{leg}_high": value + width, f"{leg}_common": common, f"{leg}_scatter": scatter,
    }  # fmt: skip


def _change(value: pl.Expr) -> pl.Expr:
    """Return how much a power changed since the home's row before [W]."""
    return value.diff().over("site_id", DAY).abs().fill_null(0.0)


def _noise(factor: pl.Expr, value: pl.Expr) -> pl.Expr:
    """Return a reading's noise and rounding [W] in the corrected one; where it comes from elsewhere it counts once."""
    fixed = pl.col("error_w") * factor.abs().replace(0.0, 1.0)
    return (fixed**2 + (pl.col("error_share") * value) ** 2).sqrt()


def _by_gain(rows: pl.DataFrame, case: Hypothesis) -> pl.DataFrame:
    """Return the wrong legs over their gain; a lead in phase skews the load but not the solar power."""
    skew = SKEW if case.fault.remains == "share" else 0.0
    half = pl.when(pl.col("is_upstream")).then(pl.col("pv_w").fill_null(0.0)).otherwise(0.0)
    half = half / len(case.lines)
    values: dict[str, pl.Expr] = {}
    for leg in case.wrong_legs:
        gain, error = pl.col(f"gain_{leg}"), pl.col(f"gain_{leg}_se").fill_null(0.0)
        value = pl.col(f"raw_{leg}") / gain
        load = (value + half).abs()
        # A gain's error has the sign of the reading, a skewed load's is the same by day and by night.
        common = ((value * error / gain) ** 2 + (skew * load) ** 2).sqrt() * (1.0 if skew else value.sign())
        scatter = ((skew * load) ** 2 + _noise(1 / gain, value) ** 2).sqrt()
        values |= {leg: value, f"factor_{leg}": 1 / gain, f"{leg}_var": pl.lit(None, pl.Float64)}
        values |= _errors(leg, value, common, scatter)
    gains = pl.all_horizontal(pl.col(f"gain_{leg}").is_not_null() for leg in case.wrong_legs)
    has_readings = pl.all_horizontal(pl.col(f"raw_{leg}").is_not_null() for leg in case.wrong_legs)
    put = rows.select(
        **values,
        method=pl.when(gains & has_readings).then(pl.lit(ESTIMATED)).otherwise(pl.lit(EMPTY)),
        reason=pl.when(~has_readings).then(pl.lit(NO_READING)).when(~gains).then(pl.lit(NO_SEVERITY)),
    )
    return _blank(rows, case.channels).with_columns(put)


def _only_gaps(rows: pl.DataFrame, legs: pl.DataFrame, case: Hypothesis) -> pl.DataFrame:
    """Return the legs put right where they read nothing or stand beside such a row, as reported elsewhere.

    A splice that opens or closes within an interval leaves a part of it.
    """
    is_zero = pl.any_horizontal(
        (pl.col(f"raw_{leg}").abs() <= ZERO_W).fill_null(True) for leg in case.wrong_legs
    )
    gaps = rows.select(
        is_gap=is_zero
        | is_zero.shift(1).over("site_id", DAY).fill_null(False)
        | is_zero.shift(-1).over("site_id", DAY).fill_null(False)
    )["is_gap"]
    right = _blank(rows, case.channels).with_columns(method=pl.lit(AS_REPORTED))
    return legs.select(
        pl.when(gaps).then(pl.col(name)).otherwise(right[name]).alias(name) for name in legs.columns
    )


def _all_of(*conditions: pl.Expr) -> pl.Expr:
    """Return whether all conditions hold."""
    whole = conditions[0]
    for condition in conditions[1:]:
        whole = whole & condition
    return whole
