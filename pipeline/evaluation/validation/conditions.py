"""The table by fleet: what a first night of each is worth, and what it says of the fleet and its crews."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import polars as pl

from pipeline.evaluation.validation.fleets import Fleet
from pipeline.evaluation.validation.found import Found, as_ordinary
from pipeline.evaluation.validation.judged import pool
from pipeline.evaluation.validation.measure import marks

ORDINARY, CLEAN, BLIND, REAL, SMALL, POOLED = "ordinary", "clean", "blind", "real", "small", "pooled"


def conditions(found: Found) -> pl.DataFrame:
    """Return a row a fleet, and one of the ordinary fleets pooled and one of all small fleets.

    `kind` what it is for (a name above), `fleet`; all of `measure.Marks`; `suspects` homes with that verdict,
    `suspects_right_share` of them faulty, `sound_suspects_1000` sound homes that are suspect in a thousand,
    `listed_1000` homes listed in a thousand; of `first_night.Told` all, with `true_rate` the share of faulty homes and
    `crews_held_share`. Real homes are weighted as an ordinary fleet; what isn't known of a row is null.
    """
    rows = [_row(ORDINARY, fleet.label, fleet.last, found, fleet) for fleet in found.ordinary]
    if len(found.ordinary) > 1:
        whole = pool([fleet.last for fleet in found.ordinary])
        rows.append(_row(POOLED, "ordinary, pooled", whole, found))
    rows += [_row(CLEAN, fleet.label, fleet.last, found, fleet) for fleet in found.clean]
    small = found.small
    rows += [_row(SMALL, f"{label}: small fleets", judged, found) for label, judged in small]
    if len(small) > 1:
        rows.append(_row(POOLED, "small fleets, pooled", pool([judged for _, judged in small]), found))
    rows += [_row(BLIND, fleet.label, fleet.last, found, fleet) for fleet in found.blind]
    rows += [_row(REAL, label, as_ordinary(judged), found) for label, judged in found.real]
    return pl.DataFrame(rows, infer_schema_length=None)


def _row(
    kind: str, label: str, judged: pl.DataFrame, found: Found, fleet: Fleet | None = None
) -> dict[str, Any]:
    weight = pl.col("weight")
    suspect = judged.filter(pl.col("verdict") == "suspect")
    sound = judged.filter(~pl.col("is_faulty"))
    alarms = suspect.filter(~pl.col("is_faulty")).select(weight.sum()).item()
    named = suspect.select(weight.sum()).item()
    told_marks = asdict(marks(judged, found.cut_of(judged.height)))
    if not told_marks["faulty"]:  # where nothing is to be found, a share of the first homes says nothing
        told_marks["first_share"] = None
    row = {
        "kind": kind,
        "fleet": label,
        **told_marks,
        "suspects": suspect.height,
        "suspects_right_share": (named - alarms) / named if named else None,
        "sound_suspects_1000": 1000 * alarms / sound.select(weight.sum()).item() if sound.height else None,
    }
    if fleet is None:
        return row
    told = fleet.told
    return row | asdict(told) | {
        "listed_1000": 1000 * told.listed / judged.height,
        "true_rate": float(judged.select((pl.col("is_faulty") * weight).sum() / weight.sum()).item()),
        "crews_held_share": told.crews_held / told.crews if told.crews else None,
    }  # fmt: skip
