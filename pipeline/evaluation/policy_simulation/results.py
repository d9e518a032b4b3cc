"""What the simulation came to: every policy's days, how its fixes ended, and the targets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict

import polars as pl

from pipeline.evaluation.policy_simulation import fix_outcomes
from pipeline.evaluation.policy_simulation.crew import LEDGER
from pipeline.evaluation.policy_simulation.daily_totals import daily_totals, repeated_attempts
from pipeline.evaluation.policy_simulation.policies import DESK, NOBODY, POLICIES, TRUCK
from pipeline.evaluation.policy_simulation.request import SimulationRequest
from pipeline.evaluation.policy_simulation.series import Series
from pipeline.evaluation.policy_simulation.world import World
from pipeline.evaluation.study_pages import Study, Table

MAIN = POLICIES[0].title
TRUCKS_IN_VAIN_SHARE, OFFICE_IN_VAIN_SHARE = 0.1, 0.2  # of all trucks, of all office fixes
TARGETS = pl.Schema({"target": pl.String, "wanted": pl.String, "measured": pl.String, "is_met": pl.Boolean})
Target = tuple[str, str, str, bool]


def build_study(request: SimulationRequest, world: World, series: Sequence[Series]) -> Study:
    """Return the results of every policy's series, in their order, with all nights done.

    Frames: `days` a row a policy and day, `visits` all attempts, `fixes` (fix_outcomes.FIXES).
    """
    nights = request.days
    ledgers = {part.policy.title: part.ledger for part in series} | {NOBODY: pl.DataFrame(schema=LEDGER)}
    days = {title: daily_totals(world, ledger, nights) for title, ledger in ledgers.items()}
    fixes = fix_outcomes.list_fixes(ledgers[MAIN], series[0].standings, nights[-1])
    policies = compare_policies(ledgers, days)
    faulty = world.homes.filter(pl.col("fault") != "")
    later = faulty["began_at"].is_not_null().sum()
    summary = (
        f"{world.homes.height} homes of family {request.family}, {faulty.height} of which get a fault "
        f"({faulty.height - later} at commissioning, {later} later); {len(nights)} nights from "
        f"{nights[0]} to {nights[-1]}; "
        f"{request.visits_a_day} truck visits a day at the most. Every night runs as the command nightly does; "
        "misreported energy is measured against the same fleet without faults."
    )
    tables = (
        Table("targets", "Targets", check_targets(policies, fixes)),
        Table(
            "policies", "Five policies over the same nights", policies,
            "No-fault-found visits: to a home without a fault. Repeat visits: to a home that an earlier visit for the "
            "same reason (or any reason) had found sound or fixed, without a new fault since. Nobody goes: for "
            "comparison.",
        ),
        Table(
            "for_nothing", f"Visits and remote fixes with nothing to fix under {MAIN}, by suspected fault",
            count_in_vain(ledgers[MAIN]),
            "Truck visits that found no fault, and remote fixes tried with nothing to correct: the home had no fault, "
            "or one that needs a visit.",
        ),
        Table(
            "proofs", f"Fixes under {MAIN}: verified by the data since, or shown to have failed",
            fix_outcomes.summarize_fixes(fixes),
            "Nights from the visit to the night that settled it. Wrong verdicts: verified though the fix had not "
            "worked, or the other way round. The 90th percentile of all counts fixes still open as longer than any "
            "other.",
        ),
        Table("open", "Fixes still open, and why", fix_outcomes.count_open(fixes)),
        Table("proofs_by_fault", "Fixes by true fault", fix_outcomes.summarize_by_fault(fixes)),
    )  # fmt: skip
    options = {**asdict(request), "homes": request.homes, "visits_a_day": request.visits_a_day}
    frames = {"days": _concat_by_policy(days), "visits": _concat_by_policy(ledgers), "fixes": fixes}
    return Study("tally", summary, options, tables, frames, {})


def _concat_by_policy(frames: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    return pl.concat(
        [frame.select(pl.lit(title).alias("policy"), pl.all()) for title, frame in frames.items()]
    )


def compare_policies(ledgers: Mapping[str, pl.DataFrame], days: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Return a row a policy: what it did, its no-fault-found visits, what was left and misreported over all days."""
    totals = _concat_by_policy(days).group_by("policy", maintain_order=True).agg(
        pl.col("visits", "wasted").sum(),
        wasted_share=pl.when(pl.col("visits").sum() > 0).then(pl.col("wasted").sum() / pl.col("visits").sum()),
        desk=pl.col("desk").sum(),
        desk_in_vain=pl.col("desk_in_vain").sum(),
        put_right=pl.col("put_right").sum(),
        faulty_left=pl.col("faulty_left").last(),
        faulty_days=pl.col("faulty_left").sum(),
        wrong_mwh=pl.col("wrong_kwh").sum() / 1000,
    )  # fmt: skip
    again = [
        (repeated_attempts(ledger).height, repeated_attempts(ledger, is_same_reason=False).height)
        for ledger in ledgers.values()
    ]
    return totals.hstack(pl.DataFrame(again, schema=["again_same", "again_any"], orient="row"))


def count_in_vain(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return a row a (by, suspected fault) of a ledger, and one a `by` over all: how often, how often for nothing.

    `by` truck or desk; `suspected` the fault; `tried`, `in_vain`, `in_vain_share`.
    """
    is_in_vain = (
        pl.when(pl.col("by") == DESK).then(pl.col("found").is_null()).otherwise(~pl.col("was_faulty"))
    )
    attempts = ledger.select("by", suspected="reason", is_in_vain=is_in_vain)
    return (
        pl.concat([attempts.with_columns(suspected=pl.lit("all")), attempts])
        .group_by("by", "suspected")
        .agg(tried=pl.len(), in_vain=pl.col("is_in_vain").sum(), in_vain_share=pl.col("is_in_vain").mean())
        .sort(
            pl.col("by") != TRUCK, pl.col("suspected") != "all", "in_vain", "tried", "suspected",
            descending=[False, False, True, True, False],
        )
    )  # fmt: skip


def check_targets(policies: pl.DataFrame, fixes: pl.DataFrame) -> pl.DataFrame:
    """Return TARGETS: what had to be shown, what was measured, whether it is met."""
    rows = policies.rows_by_key("policy", named=True, unique=True)
    main, simpler = rows[MAIN], [rows[policy.title] for policy in POLICIES[1:]]
    ended = fix_outcomes.summarize_fixes(fixes).row(0, named=True)
    long = fixes.filter((pl.col("why_open") != fix_outcomes.TOO_SHORT).fill_null(True))
    settled = int((long["said"] != fix_outcomes.OPEN).sum())
    least_mwh, least_days, least_wasted = (
        min(row[name] for row in simpler) for name in ("wrong_mwh", "faulty_days", "wasted")
    )
    quantiles = (
        f"; median {ended['median_nights']} nights, 90th percentile {ended['p90_nights']}" if settled else ""
    )
    targets: list[Target] = [
        ("no repeat visit for a reason already settled", "0", str(main["again_same"]), main["again_same"] == 0),
        (
            f"every fix with {fix_outcomes.SHORT_NIGHTS} nights of data since is verified or shown to have failed",
            f"{long.height} of {long.height}", f"{settled} of {long.height}{quantiles}", settled == long.height > 0,
        ),
        ("no wrong verdict on a fix", "0", str(ended["wrong"]), ended["wrong"] == 0),
        _at_most("no-fault-found truck visits", main["wasted"], main["visits"], share=TRUCKS_IN_VAIN_SHARE),
        _at_most(
            "remote fixes with nothing to correct", main["desk_in_vain"], main["desk"], share=OFFICE_IN_VAIN_SHARE
        ),
        (
            "less energy misreported than under any simpler policy", f"below {least_mwh:.1f} MWh",
            f"{main['wrong_mwh']:.1f} MWh", main["wrong_mwh"] < least_mwh,
        ),
        (
            "fewer faulty homes on a day than under any simpler policy", f"below {least_days} home-days",
            f"{main['faulty_days']} home-days", main["faulty_days"] < least_days,
        ),
        (
            "fewer no-fault-found visits than under any simpler policy",
            f"below {least_wasted}" if least_wasted else "0",
            str(main["wasted"]), main["wasted"] < max(least_wasted, 1),  # none is as few as can be
        ),
    ]  # fmt: skip
    return pl.DataFrame(targets, schema=TARGETS, orient="row")


def _at_most(target: str, part: int, whole: int, *, share: float) -> Target:
    measured = f"{part} of {whole} ({100 * part / whole:.0f} %)" if whole else "none were tried"
    return target, f"at most {100 * share:.0f} %", measured, part <= share * whole
