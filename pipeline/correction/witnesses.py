"""What tells of readings that a fault took away, read from rows: how legs go together, how far meters lie from legs.

From homes that are right now (`right_homes`), and from a home's own days outside its episodes.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.core.services import LINES, service_of
from pipeline.correction.meter_leg import fit_meter_error
from pipeline.correction.other_leg import Pairs, fit_home_pairs, fit_pairs, right_loads
from pipeline.correction.reading_facts import minutes_of, read_facts
from pipeline.correction.unseen import BY_OTHER_LEG, Witnesses
from pipeline.faults.types import Fault

MOST_RIGHT = 60  # right homes of a service that are enough to say how legs go together
SURE_SOUND = 0.05  # likelihood of a fault up to which a home counts as right
_FACTORS = (1.0, 2.0)
# One inverter conductor times the voltage between the legs shows half the production on a leg: between that and all of
# it, where the leg's highest readings stand against the inverter's rating ...
_PEAK, _BETWEEN = 0.99, (0.58, 0.75)
# ... and where the other leg's answer to it does (-1 to half the production, -0.5 to all of it).
_ANSWER = 0.75
# Of three lines: how near a slope must be to one of those that are possible, and an error from which on none is near.
_NEAR, _FAR = 0.15, 0.4
UNKNOWN_FACTOR = -3.0  # led by another line


def right_homes(scores: pl.DataFrame, sites: pl.DataFrame, most: int = MOST_RIGHT) -> list[str]:
    """Return homes that are right, of each service the first `most` in an order that says nothing of them, sorted.

    Only homes whose load can be worked out: without a battery of which nobody tells the power.

    Parameters
    ----------
    scores
        Table site_scores.
    sites
        The register.
    most
        How many of each service.
    """
    sound = scores.filter(
        pl.col("verdict") == "sound",
        pl.col("likelihood") <= SURE_SOUND,
        ~pl.col("is_clock_suspect").fill_null(False),
    )
    chosen = (
        sites.filter(~pl.col("has_battery").fill_null(False))
        .join(sound.select("site_id"), on="site_id", how="semi")
        .with_columns(order=pl.col("site_id").hash(seed=7))
        .sort("order")
        .group_by(pl.col("service").fill_null("120/240"), maintain_order=True)
        .head(most)
    )
    return sorted(chosen["site_id"].to_list())


def find_witnesses(
    right: pl.DataFrame,
    own: pl.DataFrame,
    episodes: pl.DataFrame,
    *,
    inside: pl.DataFrame,
    catalogue: Mapping[str, Fault],
) -> Witnesses:
    """Return what tells of the readings that the episodes took away.

    Parameters
    ----------
    right, own, inside
        Contract rows beside `service`, `is_upstream`, `is_added_back`, `has_battery`, `longitude`, `pv_kw`, sorted by
        home and start: of homes that are right; of homes with an episode on days outside of all of theirs; and of
        some days inside.
    episodes
        EPISODE.
    catalogue
        The faults by name.
    """
    facts = read_facts(inside)
    right, own = (rows.join(minutes_of(rows), on="site_id", maintain_order="left") for rows in (right, own))
    loads = right_loads(right).join(
        right.select("site_id", "service").unique("site_id"), on="site_id", maintain_order="left"
    )
    by_service: dict[str, Pairs] = {}
    for (service,), alike in loads.partition_by("service", as_dict=True, maintain_order=True).items():
        pairs = fit_pairs(alike)
        if pairs is not None:
            by_service[str(service)] = pairs
    unseen = [name for name, fault in catalogue.items() if fault.remains in BY_OTHER_LEG]
    by_home: dict[tuple[str, str], Pairs] = {}
    own_loads = right_loads(own).partition_by("site_id", as_dict=True)
    services = dict(own.select("site_id", "service").unique("site_id").iter_rows())
    for site, leg in (
        episodes.filter(pl.col("fault").is_in(unseen)).select("site_id", "leg").unique().iter_rows()
    ):
        pool = by_service.get(services.get(site, ""))
        days = own_loads.get((site,))
        if leg in ("l1", "l2") and days is not None and pool is not None:
            home = fit_home_pairs(days, leg, pool.drift_share)
            if home is not None:
                by_home[site, leg] = home
    factors = _production_factors(inside, episodes, catalogue)
    return Witnesses(fit_meter_error(right), by_home, by_service, factors, facts)


def _production_factors(
    inside: pl.DataFrame, episodes: pl.DataFrame, catalogue: Mapping[str, Fault]
) -> dict[str, tuple[float, ...]]:
    """Return by home what its production channel makes of a watt, where leads are exchanged; all that are possible.

    The exchanged leg shows the production: all of it (factor 1) or half (2), by its highest readings against the
    inverter's rating, and by how much the other leg falls with it where that sees the solar power. It shows it turned
    where the CT is led by the other leg (negative). Of three lines it is 3 or 1 where the others say so, else unknown.
    """
    needing = [name for name, fault in catalogue.items() if "production_factor" in fault.inverse_needs]
    wanted = episodes.filter(pl.col("fault").is_in(needing)).select("site_id", "leg").unique("site_id")
    factors: dict[str, tuple[float, ...]] = {}
    for site, leg in wanted.iter_rows():
        rows = inside.filter(pl.col("site_id") == site)
        if rows.is_empty():
            continue
        row = rows.row(0, named=True)
        count = service_of(row["service"]).line_count
        if count == 1:
            factors[site] = (1.0,)
            continue
        if count > 2:
            factors[site] = (_of_three_lines(rows, leg),)
            continue
        other = "l2" if leg == "l1" else "l1"
        shown = rows[f"{leg}_w"].drop_nulls()
        sign = 1.0 if (shown.quantile(0.995) or 0.0) >= -(shown.quantile(0.005) or 0.0) else -1.0
        peak = abs(shown.quantile(_PEAK if sign > 0 else 1 - _PEAK) or 0.0)
        possible = _by_answer(rows, leg, other) if row["is_upstream"] else None
        if possible is None and row["pv_kw"]:
            share = peak / (1000 * row["pv_kw"])
            possible = (2.0,) if share < _BETWEEN[0] else (1.0,) if share > _BETWEEN[1] else None
        factors[site] = tuple(sign * factor for factor in possible or _FACTORS)
    return factors


def _of_three_lines(rows: pl.DataFrame, leg: str) -> float:
    """Return the factor of an exchanged lead of three lines; UNKNOWN_FACTOR where it can't be told.

    Where the CTs see the solar power, the other two both fall by as much as the leg shows of an inverter on all three
    (factor 3), and neither of one on this line alone (1). Led by another line it lies across, so nothing tells.
    """
    if not rows["is_upstream"][0]:
        return UNKNOWN_FACTOR
    slopes = [_answer(rows, leg, other) for other in LINES if other != leg]
    for expected, factor in ((-1.0, 3.0), (0.0, 1.0)):
        if all(found and abs(found[0] - expected) < max(_NEAR, 3 * found[1]) < _FAR for found in slopes):
            return factor
    return UNKNOWN_FACTOR


def _answer(rows: pl.DataFrame, leg: str, other: str) -> tuple[float, float] | None:
    """Return the slope of another leg on what the exchanged leg shows, and its error; None if too little moves."""
    steps = rows.select(x=pl.col(f"{leg}_w").diff(), y=pl.col(f"{other}_w").diff()).drop_nulls()
    steps = steps.filter(pl.col("x").abs() > 100)
    if steps.height < 100:
        return None
    slope, squares = float((steps["x"] * steps["y"]).sum()), float((steps["x"] ** 2).sum())
    slope /= squares
    residual = (steps["y"] - slope * steps["x"]).to_numpy()
    return slope, float(residual.std() / squares**0.5)


def _by_answer(rows: pl.DataFrame, leg: str, other: str) -> tuple[float, ...] | None:
    """Return the factor by how much the other leg falls with what the exchanged leg shows; None if unsure."""
    found = _answer(rows, leg, other)
    if found is None:
        return None
    slope, error = found
    if abs(abs(slope) - _ANSWER) < 3 * error or not 0.3 < abs(slope) < 1.3:
        return None
    return (2.0,) if abs(slope) > _ANSWER else (1.0,)
