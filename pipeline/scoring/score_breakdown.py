"""Why a home is suspected: the fleet's own odds and what each probe adds to them, as rows of a table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.percent_text import percent
from pipeline.probes import names_of, probes_of
from pipeline.probes.leg_text import NOT_KNOWN
from pipeline.probes.line_rows import by_line_count, has_three_lines
from pipeline.probes.measured import Measured, all_quantities, measure
from pipeline.scoring.design import symmetric_design
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import model_for
from pipeline.scoring.normal import measure_deviations
from pipeline.scoring.sentences import probe_sentences, strength_words

Float = NDArray[np.float64]
SCHEMA = pl.Schema(
    {
        "site_id": pl.String, "ordinal": pl.Int32, "probe": pl.String, "label": pl.String, "state": pl.String,
        "value": pl.Float64, "weight": pl.Float64, "strength": pl.String, "which_weight": pl.Float64,
        "which_against": pl.String, "sentence": pl.String,
    }
)  # fmt: skip
SUPPORTS, AGAINST, CANNOT_TELL = "supports", "against", "cannot tell"


def site_weights(
    scores: pl.DataFrame, signals: pl.DataFrame, homes: list[str], *, fleet: FleetNormal, model: Model
) -> pl.DataFrame:
    """Return table site_weight for these homes: what stands before the data, and one row a probe.

    `weight` [log odds] is for a fault of any kind against a sound install; over a home they add up to the log odds of
    its likelihood. `which_weight` [log] is for the likely fault against the next likeliest, `which_against`; over a
    home they add up to the log of how many times likelier it is. `value` is the probe's largest deviation from the
    fleet's normal [spreads]; `strength` says in words and odds how strong it is.

    Parameters
    ----------
    scores, signals
        site_scores and table site_signal.
    homes
        The site_ids asked for; rows come in this order, without those that have no data.
    fleet, model
        What is normal in their fleet, and the model that scored them.
    """
    listed = (
        pl.DataFrame({"site_id": homes}, schema={"site_id": pl.String})
        .join(signals.select("site_id").with_row_index("row"), on="site_id", maintain_order="left")
        .join(scores.select("site_id", "likely_fault").drop_nulls(), on="site_id", maintain_order="left")
    )
    # A home of three lines is weighed by the model of three lines; homes keep the order that they are asked for in.
    parts = [
        _weights_of(listed.filter(pl.Series(has_three == is_three)), signals, fleet, model)
        for has_three in [has_three_lines(signals[listed["row"].to_list()])]
        for is_three in (False, True)
        if (has_three == is_three).any()
    ]
    if not parts:
        return pl.DataFrame(schema=SCHEMA)
    order = listed.select("site_id").with_row_index("home")
    return (
        pl.concat(parts)
        .join(order, on="site_id", maintain_order="left")
        .sort("home", "ordinal", maintain_order=True)
        .drop("home")
    )


def _weights_of(
    listed: pl.DataFrame, signals: pl.DataFrame, fleet: FleetNormal, model: Model
) -> pl.DataFrame:
    """Return the rows of homes that all have three lines or all fewer; `listed` says where each is in `signals`."""
    ((line_count, rows),) = by_line_count(signals[listed["row"].to_list()])
    model, fleet, probes = model_for(model, line_count), fleet.of(line_count), probes_of(line_count)
    measured = measure(rows)
    deviations = measure_deviations(measured, fleet.normal)
    design = symmetric_design(measured, deviations).rows
    added, terms = model.probe_terms(design), model.which_terms(design)
    score = terms.sum(axis=2) + model.which.start
    home = np.arange(len(design))
    likely = np.array([model.faults.index(name) for name in listed["likely_fault"]])
    score[home, likely] = -np.inf
    next_likely = score.argmax(axis=1)
    against = np.array(model.faults)[next_likely]
    which = terms[home, likely] - terms[home, next_likely]
    prior = np.full(home.size, model.base_log_odds + np.log(fleet.rate / (1 - fleet.rate)))
    ordinal = np.argsort(np.argsort(-np.abs(added), axis=1, kind="stable"), axis=1) + 1
    is_known = _has_values(measured)
    parts = [
        _rows(
            home, prior, model.which.start[likely] - model.which.start[next_likely], against,
            ordinal=0, probe="prior", label="Before the data", value=np.nan, is_known=True,
            sentence=_prior_sentence(fleet.rate, model.base_log_odds),
        )
    ]  # fmt: skip
    for number, probe in enumerate(probes):
        sentence = np.where(is_known[:, number], probe_sentences(probe, rows), NOT_KNOWN)
        parts.append(
            _rows(
                home, added[:, number], which[:, number], against,
                ordinal=ordinal[:, number], probe=probe.name, label=probe.label_at(line_count), sentence=sentence,
                value=_largest(probe.name, deviations.spread, home.size), is_known=is_known[:, number],
            )
        )  # fmt: skip
    table = pl.concat(parts, how="diagonal_relaxed").sort("home", "ordinal")
    return table.with_columns(
        pl.col("value").fill_nan(None), site_id=listed["site_id"].gather(table["home"])
    ).select(pl.col(name).cast(kind) for name, kind in SCHEMA.items())


def _rows(
    home: NDArray[np.int64],
    weight: Float,
    which_weight: Float,
    against: NDArray[np.str_],
    *,
    is_known: Any,
    **columns: Any,
) -> pl.DataFrame:
    """Return a row a home of one probe; `columns` are its others, one value or one a home."""
    state = np.where(is_known, np.where(weight > 0, SUPPORTS, AGAINST), CANNOT_TELL)
    strength = [strength_words(number) for number in weight.tolist()]
    table = {
        "home": home, "weight": weight, "which_weight": which_weight, "which_against": against, "state": state,
        "strength": strength, **columns,
    }  # fmt: skip
    return pl.DataFrame({name: np.broadcast_to(column, home.shape) for name, column in table.items()})


def _has_values(measured: Measured) -> NDArray[np.bool_]:
    """Return whether any quantity of each probe is known at each home, (n, probes)."""
    names = names_of(measured.line_count)
    is_known = np.zeros((measured.size, len(names)), dtype=np.bool_)
    for key, probe, _ in all_quantities(measured.line_count):
        is_known[:, names.index(probe)] |= ~np.isnan(measured.values[key]).all(axis=1)
    return is_known


def _prior_sentence(rate: float, base_log_odds: float) -> str:
    text = f"about {percent(rate)} of this fleet's homes have a fault, by what all of their data say"
    if abs(base_log_odds) < 0.05:
        return text
    return f"{text}, corrected by a factor of {np.exp(base_log_odds):.2f} to the odds found on fleets not trained on"


def _largest(probe: str, deviations: Mapping[str, Float], homes: int) -> Float:
    """Return the probe's largest deviation in size, with its sign, (n,); NaN where none is known."""
    columns = [values for key, values in deviations.items() if key.split(".")[0] == probe]
    if not columns:
        return np.full(homes, np.nan)
    values = np.concatenate(columns, axis=1)
    largest = np.where(np.isnan(values), -1.0, np.abs(values)).argmax(axis=1)
    return np.asarray(values[np.arange(homes), largest])
