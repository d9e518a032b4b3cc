"""Why a home is suspected: the fleet's own odds and what each probe adds to them, as rows of a table."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.probes import PROBES
from pipeline.probes.measured import Measured, all_quantities, measure
from pipeline.scoring.design import alike
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.model import Model
from pipeline.scoring.normal import deviations
from pipeline.scoring.sentences import odds_words, probe_sentences

Float = NDArray[np.float64]
SCHEMA = pl.Schema(
    {
        "site_id": pl.String, "ordinal": pl.Int32, "probe": pl.String, "label": pl.String, "state": pl.String,
        "value": pl.Float64, "weight": pl.Float64, "strength": pl.String, "which_weight": pl.Float64,
        "which_against": pl.String, "sentence": pl.String,
    }
)  # fmt: skip
SUPPORTS, AGAINST, CANNOT_TELL = "supports", "against", "cannot tell"
PRIOR = "prior"


def site_weights(
    scores: pl.DataFrame,
    signals: pl.DataFrame,
    homes: list[str],
    fleet: FleetNormal,
    model: Model,
) -> pl.DataFrame:
    """Return table site_weight for these homes: what stands before the data, and one row a probe.

    `weight` [log odds] is for a fault of any kind against a sound install; over a home they add up to the log odds of
    its likelihood. `which_weight` [log] is for the likely fault against the next likeliest, `which_against`; over a
    home they add up to the log of how many times likelier it is. `value` is the probe's largest deviation from the
    fleet's normal [spreads]; `strength` says the weight as odds. Homes come in the order given, those without data left
    out.
    """
    likely = scores.select("site_id", "likely_fault").drop_nulls()
    known = (
        pl.DataFrame({"site_id": homes}, schema={"site_id": pl.String})
        .join(signals.select("site_id").with_row_index("at"), on="site_id", maintain_order="left")
        .join(likely, on="site_id", maintain_order="left")
    )
    if known.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    some = signals[known["at"].to_list()]
    measured = measure(some)
    moved = deviations(measured, fleet.normal)
    rows = alike(measured, moved).rows
    added = model.probe_terms(rows)
    terms = model.which_terms(rows)
    score = terms.sum(axis=2) + model.which.start
    one = np.array([model.faults.index(name) for name in known["likely_fault"]])
    homes_at = np.arange(one.size)
    rest = score.copy()
    rest[homes_at, one] = -np.inf
    other = rest.argmax(axis=1)
    which = terms[homes_at, one] - terms[homes_at, other]
    start = np.full(one.size, model.offset + np.log(fleet.rate / (1 - fleet.rate)))
    before = _before_words(fleet.rate, model.offset)
    speaks = knows_something(measured)
    order = np.argsort(-np.abs(added), axis=1, kind="stable")
    ordinal = np.empty_like(order)
    np.put_along_axis(ordinal, order, np.arange(1, added.shape[1] + 1)[None, :], axis=1)
    against = np.array(model.faults, dtype=object)[other]
    parts = [_prior_rows(start, model.which.start[one] - model.which.start[other], against, before)]
    for number, probe in enumerate(PROBES):
        largest = _largest(probe.name, moved.spread, one.size)
        state = np.where(~speaks[:, number], CANNOT_TELL, np.where(added[:, number] > 0, SUPPORTS, AGAINST))
        told = np.where(speaks[:, number], probe_sentences(probe, some), "no data for this")
        parts.append(
            pl.DataFrame(
                {
                    "home": homes_at, "ordinal": ordinal[:, number], "probe": probe.name, "label": probe.label,
                    "state": state.tolist(), "value": largest, "weight": added[:, number],
                    "strength": [odds_words(w, "a fault", "a sound install") for w in added[:, number].tolist()],
                    "which_weight": which[:, number], "which_against": against.tolist(), "sentence": told.tolist(),
                }
            )
        )  # fmt: skip
    whole = pl.concat(parts, how="vertical_relaxed").sort("home", "ordinal")
    return whole.with_columns(
        known["site_id"].gather(whole["home"]).alias("site_id"), pl.col("value").fill_nan(None)
    ).select(pl.col(name).cast(kind) for name, kind in SCHEMA.items())


def knows_something(measured: Measured) -> NDArray[np.bool_]:
    """Return whether any quantity of each probe is known at each home, (n, probes)."""
    found = np.zeros((measured.size, len(PROBES)), dtype=np.bool_)
    place = {probe.name: number for number, probe in enumerate(PROBES)}
    for key, probe, _ in all_quantities():
        found[:, place[probe]] |= ~np.isnan(measured.values[key]).all(axis=1)
    return found


def _before_words(rate: float, offset: float) -> str:
    told = f"about {rate:.1%} of this fleet's homes have a fault, by what all of their data say"
    if abs(offset) < 0.05:
        return told
    return f"{told}; these odds times {np.exp(offset):.2f}, as fleets asked for that training never saw"


def _prior_rows(start: Float, which_start: Float, against: NDArray[np.object_], before: str) -> pl.DataFrame:
    size = start.size
    return pl.DataFrame(
        {
            "home": np.arange(size), "ordinal": np.zeros(size, dtype=np.int64), "probe": PRIOR,
            "label": "Before looking",
            "state": np.where(start > 0, SUPPORTS, AGAINST).tolist(), "value": np.full(size, np.nan), "weight": start,
            "strength": [odds_words(w, "a fault", "a sound install") for w in start.tolist()],
            "which_weight": which_start, "which_against": against.tolist(),
            "sentence": before,
        }
    )  # fmt: skip


def _largest(probe: str, moved: Mapping[str, Float], homes: int) -> Float:
    """Return the probe's largest deviation in size, with its sign, (n,); NaN where none is known."""
    columns = [values for key, values in moved.items() if key.split(".")[0] == probe]
    if not columns:
        return np.full(homes, np.nan)
    beside = np.concatenate(columns, axis=1)
    place = np.where(np.isnan(beside), -1.0, np.abs(beside)).argmax(axis=1)
    found: Float = beside[np.arange(homes), place]
    return found
