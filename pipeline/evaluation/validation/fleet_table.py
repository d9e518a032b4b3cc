"""The table by fleet: what a first night of each is worth, and what it says of the fleet and its crews."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.evaluation.validation.fleets import Fleet, Fleets, weigh_as_ordinary
from pipeline.evaluation.validation.metrics import compute_metrics
from pipeline.evaluation.validation.truth import pool_homes

ORDINARY, CLEAN, BLIND, REAL, SMALL, POOLED = "ordinary", "clean", "blind", "real", "small", "pooled"
# Fleets of this kind pooled -> what that row is called.
POOLED_LABELS = {ORDINARY: "ordinary, pooled", SMALL: "small fleets, pooled"}


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
        rows += [_row(kind, *member, count) for member, count in zip(members, visits, strict=True)]
        if kind in POOLED_LABELS and len(members) > 1:
            pooled = pool_homes([homes for _, homes, _ in members])
            rows.append(_row(POOLED, POOLED_LABELS[kind], pooled, None, fleets.visits_of(pooled.height)))
    return pl.DataFrame(rows, infer_schema_length=None)


def _row(
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
