"""The statement of corrected energy as tables: by home and day, month, episode, by fault; and what was not corrected.

All energies in kWh, over rows that are known both as reported and put right, so that the two compare; `low` and `high`
bound 95 % of the corrected sum. Intervals of days don't add up to a month's: tables of each length have their own
(`energy_sums`). `use` is what the home used, `net` what both legs read, `import` and `export` net above and below 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.correction.energy_sums import (
    HOURS,
    KWH_DECIMALS,
    QUANTITIES,
    add_episodes,
    add_up,
    energy_columns,
)
from pipeline.faults.fault_text import fault_title_column

EPISODE_KEY = ("site_id", "from_on")
_DIFFERENCES = {"difference": "corrected", "difference_low": "low", "difference_high": "high"}
NO_ROWS = "no readings on its days"
_NAMES = ("fault", "leg")
_ABOUT = (
    "to_on", "likelihood", "rival_fault", "rival_leg", "rival_likelihood", "basis", "ended_by", "is_upstream",
    "is_added_back", "gain_by",
)  # fmt: skip


@dataclass(frozen=True)
class Statement:
    """The statement's tables.

    `day` and `month` have a row a home, episode and UTC day or month of it, `episode` a row a home and episode, `fleet`
    a row a fault and one of all (`fault` null), `reason` how readings of an episode came about, `not_corrected` a row a
    home and episode of which nothing was put right, with the reason.
    """

    day: pl.DataFrame
    month: pl.DataFrame
    episode: pl.DataFrame
    fleet: pl.DataFrame
    reason: pl.DataFrame
    not_corrected: pl.DataFrame

    def tables(self) -> dict[str, pl.DataFrame]:
        """Return the tables by the names of their files."""
        return {
            "statement": self.episode,
            "statement_day": self.day,
            "statement_month": self.month,
            "statement_fleet": self.fleet,
            "statement_reason": self.reason,
            "not_corrected": self.not_corrected,
        }


def make_statement(energy: pl.DataFrame, reasons: pl.DataFrame, episodes: pl.DataFrame) -> Statement:
    """Return the tables.

    Parameters
    ----------
    energy
        sql/corrected_energy.sql.
    reasons
        sql/corrected_reason.sql.
    episodes
        `layout.EPISODE`.
    """
    named = energy.join(
        episodes.select(*EPISODE_KEY, *_NAMES), on=EPISODE_KEY, how="left", maintain_order="left"
    )
    keys = (*EPISODE_KEY, *_NAMES)
    month = named.with_columns(month=pl.col("day").dt.to_string("%Y-%m"))
    by_episode = add_up(named, keys)
    whole = by_episode.join(
        episodes.select(*EPISODE_KEY, *_ABOUT), on=EPISODE_KEY, how="left", maintain_order="left"
    )
    faults = add_episodes(by_episode, ["fault"]).sort(
        (pl.col("use_corrected") - pl.col("use_reported")).abs().fill_null(0),
        "fault",
        descending=[True, False],
    )
    all_faults = by_episode.with_columns(fault=pl.lit(None, pl.String))
    fleet = pl.concat([add_episodes(all_faults, ["fault"]), faults])
    return Statement(
        day=_with_energy(named, ["site_id", "day", *_NAMES, "from_on"]),
        month=_with_energy(add_up(month, [*keys, "month"]), ["site_id", "month", *_NAMES, "from_on", "days"]),
        episode=_with_energy(
            whole, ["site_id", *_NAMES, "from_on", *_ABOUT, "first_day", "last_day", "days"], is_total=True
        ),
        fleet=_with_energy(fleet, ["fault", "homes", "episodes", "days"], is_total=True),
        reason=_reasons(reasons, by_episode),
        not_corrected=_not_corrected(episodes, by_episode),
    )


def _with_energy(sums: pl.DataFrame, first: Sequence[str], *, is_total: bool = False) -> pl.DataFrame:
    """Return a table of the statement: the columns `first`, hours, energies, and the meter's."""
    energies = {name: value for quantity in QUANTITIES for name, value in energy_columns(quantity).items()}
    table = sums.with_columns(**energies)
    differences = {
        f"{quantity}_kwh_{part}": pl.col(f"{quantity}_kwh_{of}") - pl.col(f"{quantity}_kwh_reported")
        for quantity in QUANTITIES
        for part, of in _DIFFERENCES.items()
    }
    counted = pl.col("meter_import") + pl.col("meter_export")
    meter = {
        "meter_import_kwh": pl.col("meter_import"),
        "meter_export_kwh": pl.col("meter_export"),
        "meter_net_kwh": pl.col("meter_net"),
        "meter_net_kwh_reported": pl.col("meter_net_reported"),
        "meter_net_kwh_corrected": pl.col("meter_net_corrected"),
        "meter_off_share_reported": pl.when(counted > 0).then(pl.col("meter_off_reported") / counted),
        "meter_off_share_corrected": pl.when(counted > 0).then(pl.col("meter_off_corrected") / counted),
    }
    return table.select(
        *first,
        *(pl.col(name).fill_null(0) for name in HOURS),
        *energies,
        **(differences if is_total else {}),
        empty_kwh_reported=pl.col("empty_reported").round(KWH_DECIMALS),
        **{name: value.round(KWH_DECIMALS) for name, value in meter.items()},
    )


def _reasons(reasons: pl.DataFrame, corrected: pl.DataFrame) -> pl.DataFrame:
    """Return how long readings of each episode were put right in which way, and why: hours, and share of them."""
    way = [*EPISODE_KEY, "method", "reason"]
    counted = reasons.group_by(way).agg(pl.col("n_rows").sum()).sort(way, nulls_last=True)
    share = (pl.col("n_rows") / pl.col("n_rows").sum().over(EPISODE_KEY)).alias("share")
    length = corrected.select(*EPISODE_KEY, "hours")
    whole = counted.with_columns(share).join(length, on=EPISODE_KEY, maintain_order="left")
    return whole.with_columns(hours=(pl.col("hours") * pl.col("share")).round(KWH_DECIMALS))


def _not_corrected(episodes: pl.DataFrame, corrected: pl.DataFrame) -> pl.DataFrame:
    """Return the episodes of which nothing was put right, with the reason."""
    left = episodes.join(corrected, on=EPISODE_KEY, how="anti", maintain_order="left")
    return left.select(
        *EPISODE_KEY[:1], *_NAMES, fault_title_column(pl.col("fault")).alias("fault_title"), "from_on", "to_on",
        "likelihood", "basis", pl.col("why_not").fill_null(NO_ROWS).alias("reason"),
    )  # fmt: skip
