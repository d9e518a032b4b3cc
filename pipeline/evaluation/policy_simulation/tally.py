"""What the rehearsal came to: every policy's days, how its fixes ended, and what had to be shown."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.evaluation.policy_simulation import proofs
from pipeline.evaluation.policy_simulation.crew import LEDGER
from pipeline.evaluation.policy_simulation.days import day_by_day, settled_again
from pipeline.evaluation.policy_simulation.policies import DESK, NOBODY, POLICIES, TRUCK
from pipeline.evaluation.policy_simulation.request import RehearsalRequest
from pipeline.evaluation.policy_simulation.series import read_ledger, read_watched
from pipeline.evaluation.policy_simulation.tables import Table
from pipeline.evaluation.policy_simulation.world import World

MAIN = POLICIES[0].title
TRUCKS_FOR_NOTHING, OFFICE_FOR_NOTHING = 0.1, 0.2  # of all trucks, of all office fixes
TARGETS = pl.Schema({"target": pl.String, "wanted": pl.String, "measured": pl.String, "is_met": pl.Boolean})


@dataclass(frozen=True)
class Tally:
    """`tables` in reading order; `days` a row a policy and day; `attempts` all of them; `fixes` proofs.FIXES."""

    told: str
    asked: dict[str, Any]
    tables: tuple[Table, ...]
    days: pl.DataFrame
    attempts: pl.DataFrame
    fixes: pl.DataFrame
    seconds: float


def tally(request: RehearsalRequest, world: World, work: Path, seconds: float) -> Tally:
    """Return the tally of the series that are done in the folder `work`."""
    nights = request.days
    ledgers = {policy.title: read_ledger(work / policy.name) for policy in POLICIES}
    ledgers[NOBODY] = pl.DataFrame(schema=LEDGER)
    days = {title: day_by_day(world, ledger, nights) for title, ledger in ledgers.items()}
    fixed = proofs.fixes(ledgers[MAIN], read_watched(work / POLICIES[0].name), nights[-1])
    summary = policies(ledgers, days)
    faulty = world.homes.filter(pl.col("fault") != "")
    later = faulty["began_at"].is_not_null().sum()
    told = (
        f"{world.homes.height} homes of family {request.family}, {faulty.height} of which get a fault "
        f"({faulty.height - later} at commissioning, {later} later); {len(nights)} nights from "
        f"{nights[0]} to {nights[-1]}; "
        f"{request.visits_a_day} truck visits a day. Every night is the same as `nightclamp nightly`; every number "
        f"here is measured against the fleet's twin without faults."
    )
    return Tally(
        told,
        {**asdict(request), "homes": request.homes, "visits_a_day": request.visits_a_day},
        (
            Table("targets", "What had to be shown", targets(summary, fixed)),
            Table(
                "policies", "Five ways through the same half year", summary,
                "Wasted: visits to a home with nothing wrong. Again: visits to a home that had been found sound or put "
                "right for the same reason before (or for any), with nothing new begun. Nobody goes is the line "
                "beside which the others stand.",
            ),
            Table(
                "for_nothing", f"For nothing under {MAIN}, by suspected fault", for_nothing(ledgers[MAIN]),
                "Trucks that found nothing wrong, and office fixes tried where the office had nothing to correct: at a "
                "right home, or at one whose fault takes a truck.",
            ),
            Table(
                "proofs", f"Fixes of {MAIN}: proved or disproved by the data since", proofs.summary(fixed),
                "Nights from the visit to the night that settled it. Wrong: proved though it had not worked, or the "
                "other way round. 90th of all counts what stayed open as longer than any.",
            ),
            Table("open", "Fixes that stayed open, and why", proofs.why_open(fixed)),
            Table("proofs_by_fault", "The same, fault by fault", proofs.by_fault(fixed)),
        ),
        pl.concat([frame.select(pl.lit(title).alias("policy"), pl.all()) for title, frame in days.items()]),
        pl.concat(
            [frame.select(pl.lit(title).alias("policy"), pl.all()) for title, frame in ledgers.items()]
        ),
        fixed,
        seconds,
    )  # fmt: skip


def policies(ledgers: dict[str, pl.DataFrame], days: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Return a row a policy: what it did, what it wasted, what was left and misreported over all days."""
    rows = []
    for title, ledger in ledgers.items():
        truck, own = ledger.filter(pl.col("by") == TRUCK), days[title]
        rows.append(
            {
                "policy": title,
                "visits": truck.height,
                "wasted": int(own["wasted"].sum()),
                "wasted_share": own["wasted"].sum() / truck.height if truck.height else None,
                "desk": ledger.filter(pl.col("by") == DESK).height,
                "desk_in_vain": int(own["desk_in_vain"].sum()),
                "put_right": int(own["put_right"].sum()),
                "faulty_left": int(own["faulty_left"][-1]),
                "faulty_days": int(own["faulty_left"].sum()),
                "wrong_mwh": float(own["wrong_kwh"].sum()) / 1000,
                "again_same": settled_again(ledger).height,
                "again_any": settled_again(ledger, is_same_reason=False).height,
            }
        )
    return pl.DataFrame(rows, infer_schema_length=None)


def for_nothing(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return a row a (by, suspected fault) of a ledger, and one a `by` over all: how often, how often for nothing.

    `by` truck or desk; `suspected` the fault; `tried`, `in_vain`, `in_vain_share`.
    """
    is_in_vain = (
        pl.when(pl.col("by") == DESK).then(pl.col("found").is_null()).otherwise(~pl.col("was_faulty"))
    )
    marked = ledger.select("by", suspected="reason", is_in_vain=is_in_vain)
    whole = marked.with_columns(suspected=pl.lit("all"))
    counted = (
        pl.concat([whole, marked])
        .group_by("by", "suspected")
        .agg(tried=pl.len(), in_vain=pl.col("is_in_vain").sum(), in_vain_share=pl.col("is_in_vain").mean())
    )
    is_whole = pl.col("suspected") == "all"
    return counted.sort(
        pl.col("by") != TRUCK,
        ~is_whole,
        "in_vain",
        "tried",
        "suspected",
        descending=[False, False, True, True, False],
    )


def targets(summary: pl.DataFrame, fixed: pl.DataFrame) -> pl.DataFrame:
    """Return TARGETS: what had to be shown, what was measured, whether it is met."""
    by = {row["policy"]: row for row in summary.iter_rows(named=True)}
    main, simpler = by[MAIN], [by[policy.title] for policy in POLICIES[1:]]
    ended = proofs.summary(fixed).row(0, named=True)
    long = fixed.filter((pl.col("why_open") != proofs.TOO_SHORT).fill_null(True))
    open_long = int((long["said"] == proofs.OPEN).sum())
    fewest = min(row["wasted"] for row in simpler)
    nights = f"median {ended['median_nights']} nights, 90th percentile {ended['p90_nights']}"
    rows: list[tuple[str, str, str, bool]] = [
        ("no home visited twice for the same settled reason", "0", str(main["again_same"]), main["again_same"] == 0),
        (
            f"every fix with {proofs.SHORT_NIGHTS} nights to speak is proved or disproved",
            f"{long.height} of {long.height}",
            f"{long.height - open_long} of {long.height}; {nights}", open_long == 0 and long.height > 0,
        ),
        ("no fix proved or disproved wrongly", "0", str(ended["wrong"]), ended["wrong"] == 0),
        _at_most("trucks for nothing", main["wasted"], main["visits"], TRUCKS_FOR_NOTHING),
        _at_most("office fixes for nothing", main["desk_in_vain"], main["desk"], OFFICE_FOR_NOTHING),
        (
            "less energy misreported than under any simpler policy",
            f"below {min(row['wrong_mwh'] for row in simpler):.1f} MWh", f"{main['wrong_mwh']:.1f} MWh",
            main["wrong_mwh"] < min(row["wrong_mwh"] for row in simpler),
        ),
        (
            "fewer faulty homes on a day than under any simpler policy",
            f"below {min(row['faulty_days'] for row in simpler)} home-days", f"{main['faulty_days']} home-days",
            main["faulty_days"] < min(row["faulty_days"] for row in simpler),
        ),
        (
            "fewer visits wasted than under any simpler policy",
            f"below {fewest}" if fewest else "0", str(main["wasted"]),
            main["wasted"] < max(fewest, 1),  # none is as few as can be
        ),
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=TARGETS, orient="row")


def _at_most(target: str, part: int, of: int, share: float) -> tuple[str, str, str, bool]:
    told = f"{part} of {of} ({100 * part / of:.0f} %)" if of else "none were tried"
    return target, f"at most {100 * share:.0f} %", told, part <= share * of
