"""What the validation shows of each fleet, and the targets: each with met or not met, by fleet and pooled."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import polars as pl

from pipeline.evaluation.study_pages import percent
from pipeline.evaluation.validation.fleets import Fleet, Fleets, weigh_as_ordinary
from pipeline.evaluation.validation.metrics import compute_metrics
from pipeline.evaluation.validation.truth import pool_homes

ORDINARY, CLEAN, BLIND, REAL, SMALL, POOLED = "ordinary", "clean", "blind", "real", "small", "pooled"
# Fleets of this kind pooled -> what that row is called.
POOLED_LABELS = {ORDINARY: "ordinary, pooled", SMALL: "small fleets, pooled"}
MET, PARTLY, NOT_MET = "met", "pooled only", "not met"


def fleet_table(fleets: Fleets) -> pl.DataFrame:
    """Return a row a fleet, and one of the ordinary fleets pooled and one of all small fleets.

    `kind` what it is for (a name above), `fleet`; all of `compute_metrics`; `suspects` homes with that verdict,
    `suspects_right_share` of them faulty, `sound_suspects_1000` sound homes that are suspect in a thousand; all of
    `summarize_first_night`, `listed_1000` homes listed in a thousand, `true_rate` the share of faulty homes,
    `crews_held_share`. Real homes are weighted as an ordinary fleet; what isn't known of a row is null.
    """
    groups: list[tuple[str, list[tuple[str, pl.DataFrame, Fleet | None]]]] = [
        (ORDINARY, [(fleet.label, fleet.homes, fleet) for fleet in fleets.ordinary]),
        (CLEAN, [(fleet.label, fleet.homes, fleet) for fleet in fleets.clean]),
        (SMALL, [(f"{label}: small fleets", homes, None) for label, homes in fleets.small]),
        (BLIND, [(fleet.label, fleet.homes, fleet) for fleet in fleets.blind]),
        (REAL, [(label, weigh_as_ordinary(homes), None) for label, homes in fleets.real]),
    ]
    rows = []
    for kind, members in groups:
        visits = [fleets.visits_of(homes.height) for _, homes, _ in members]
        rows += [_fleet_row(kind, *member, count) for member, count in zip(members, visits, strict=True)]
        if kind in POOLED_LABELS and len(members) > 1:
            pooled = pool_homes([homes for _, homes, _ in members])
            rows.append(
                _fleet_row(POOLED, POOLED_LABELS[kind], pooled, None, fleets.visits_of(pooled.height))
            )
    return pl.DataFrame(rows, infer_schema_length=None)


def _fleet_row(
    kind: str, label: str, homes: pl.DataFrame, fleet: Fleet | None, visits: int | None
) -> dict[str, Any]:
    is_faulty, is_suspect = pl.col("is_faulty"), pl.col("verdict") == "suspect"
    weights = {
        "faulty": is_faulty, "sound": ~is_faulty, "suspect": is_suspect, "alarms": is_suspect & ~is_faulty,
    }  # fmt: skip
    of = homes.select(pl.col("weight").filter(mask).sum().alias(name) for name, mask in weights.items()).row(
        0, named=True
    )
    metrics = compute_metrics(homes, visits)
    if not metrics["faulty"]:  # where nothing is to be found, a share of the first homes says nothing
        metrics["first_share"] = None
    row = {
        "kind": kind,
        "fleet": label,
        **metrics,
        "suspects": homes.filter(is_suspect).height,
        "suspects_right_share": (of["suspect"] - of["alarms"]) / of["suspect"] if of["suspect"] else None,
        "sound_suspects_1000": 1000 * of["alarms"] / of["sound"] if of["sound"] else None,
    }
    if fleet is None:
        return row
    night = fleet.first_night
    return row | night | {
        "listed_1000": 1000 * night["listed"] / homes.height,
        "true_rate": of["faulty"] / (of["faulty"] + of["sound"]),
        "crews_held_share": night["crews_held"] / night["crews"] if night["crews"] else None,
    }  # fmt: skip


def _score(value: float) -> str:
    return f"{value:.4f}"


def _count(value: float) -> str:
    return f"{value:.1f}"


class Target(NamedTuple):
    """A target of the fleets of a kind: a column of `fleet_table`, a least or most `threshold`, how it is written."""

    kind: str
    title: str
    column: str
    threshold: float
    is_least: bool
    write: Callable[[float], str]

    def is_met(self, value: float | None) -> bool:
        """Return whether a value meets it; one that isn't known doesn't."""
        return value is not None and (value >= self.threshold if self.is_least else value <= self.threshold)


TARGETS = (
    Target(ORDINARY, "average precision", "average_precision", 0.95, True, _score),
    Target(ORDINARY, "faulty among the first 2.5 % (50 of 2,000)", "first_share", 1.0, True, percent),
    Target(ORDINARY, "found among as many homes as are faulty", "found_share", 0.89, True, percent),
    Target(ORDINARY, "fault named correctly, of those found", "named_share", 0.94, True, percent),
    Target(ORDINARY, "leg named correctly, of those found", "leg_share", 0.96, True, percent),
    Target(ORDINARY, "calibration error", "ece", 0.015, False, _score),
    Target(ORDINARY, "sound homes suspected, per 1,000", "sound_suspects_1000", 5.0, False, _count),
    Target(SMALL, "60 homes: calibration error", "ece", 0.03, False, _score),
    Target(SMALL, "60 homes: suspects with a fault", "suspects_right_share", 0.9, True, percent),
    Target(CLEAN, "no fault: homes listed, per 1,000", "listed_1000", 3.0, False, _count),
    Target(CLEAN, "no fault: lower end of the estimated rate", "rate_low", 0.005, False, percent),
    Target(CLEAN, "no fault: crews called worse or better", "stand_out", 0.0, False, _count),
)
CREWS_HELD_SHARE = 0.92


def check_targets(fleets: pl.DataFrame) -> pl.DataFrame:
    """Return one row a target: `target`, `wanted`, `pooled`, `worst`, `worst_fleet`, `is_met`, `met`.

    `fleets` is `fleet_table`. `is_met` where the worst fleet meets it; `met` is "met", "pooled only" where
    the fleets do together and the worst doesn't, or "not met". Crews' intervals are asked for over all fleets only.
    """
    return pl.DataFrame([*(_target_row(fleets, target) for target in TARGETS), _crews(fleets)])


def _target_row(fleets: pl.DataFrame, target: Target) -> dict[str, Any]:
    value = pl.col(target.column).cast(pl.Float64).fill_nan(None)
    values = fleets.select("kind", "fleet", value=value)
    of_kind = values.filter(pl.col("kind") == target.kind)
    unknown = of_kind.filter(pl.col("value").is_null())
    if unknown.height or not of_kind.height:  # a fleet that can't tell doesn't meet it
        fleet = unknown["fleet"][0] if unknown.height else "no such fleet"
        return _written(target, None, None, fleet=fleet)
    worst = of_kind.sort("value", "fleet", descending=[not target.is_least, False]).row(0, named=True)
    pooled = values.filter(pl.col("fleet") == POOLED_LABELS.get(target.kind, ""))["value"]
    if target.column == "listed_1000":
        pooled = of_kind.select(pl.col("value").mean())["value"]
    elif target.kind != CLEAN and of_kind.height == 1:
        pooled = of_kind["value"]
    return _written(target, pooled[0] if pooled.len() else None, worst["value"], fleet=worst["fleet"])


def _crews(fleets: pl.DataFrame) -> dict[str, Any]:
    asked = fleets.filter(pl.col("kind").is_in([ORDINARY, CLEAN]))
    held, crews = int(asked["crews_held"].sum()), int(asked["crews"].sum())
    worst = asked.sort("crews_held_share", "fleet").row(0, named=True)
    share = held / crews if crews else None
    title = f"crews inside their 95 % interval ({held} of {crews})"
    target = Target("", title, "crews_held_share", CREWS_HELD_SHARE, True, percent)
    is_met = target.is_met(share)
    row = _written(target, share, worst["crews_held_share"], fleet=worst["fleet"])
    return row | {"is_met": is_met, "met": MET if is_met else NOT_MET}


def _written(target: Target, pooled: float | None, worst: float | None, *, fleet: str) -> dict[str, Any]:
    met = MET if target.is_met(worst) else PARTLY if target.is_met(pooled) else NOT_MET
    threshold = percent(target.threshold) if target.write is percent else f"{target.threshold:g}"
    return {
        "target": target.title,
        "wanted": f"{'>=' if target.is_least else '<='} {threshold}",
        "pooled": "–" if pooled is None else target.write(pooled),
        "worst": "–" if worst is None else target.write(worst),
        "worst_fleet": fleet,
        "is_met": met == MET,
        "met": met,
    }
