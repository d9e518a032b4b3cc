"""How many rows of a home the night used on a day, by its store: what a correction's rows must be as many as."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl
import pyarrow as pa

from pipeline.core.settings import Settings
from pipeline.features.day_counts import total_counts
from pipeline.features.day_statistics import site_sky
from pipeline.features.day_store import Store, day_digest
from pipeline.ingest.registers import Registers


@dataclass(frozen=True)
class NightUsed:
    """`used` rows of homes (`site_id`) by the night's store.

    `is_probed`: a file was damaged, so the night read each to its end and refused that one whole.
    """

    homes: pl.DataFrame
    is_probed: bool


def night_used(
    store: Store,
    day: date,
    fingerprint: str,
    *,
    homes: Sequence[str],
    registers: Registers,
    settings: Settings,
) -> NightUsed | None:
    """Return what the night used of homes on this day, under today's site record.

    None where the store doesn't have the day as the lake has it now.

    Parameters
    ----------
    store
        OUT/store.
    day, fingerprint
        The day, and `Lake.fingerprint` of it.
    homes
        Those that are asked for; one whose facts have changed since the night is left out.
    registers, settings
        As they are now.
    """
    for is_probed in (True, False):
        contents = f"{fingerprint} past probed" if is_probed else f"{fingerprint} past"
        digest = day_digest(contents, settings)
        cut = store.cut(day, digest)
        if cut is None or not all(store.has(day, digest, shard) for shard in cut.shards):
            continue
        shards = [shard for shard in cut.shards if any(map(shard.has, homes))]
        files = [store.path("site_day", day, digest, shard) for shard in shards]
        unknown = total_counts([store.counts(day, digest, shard) for shard in cut.shards]).unknown_homes
        try:
            days = pl.concat(
                [
                    pl.read_parquet(file, columns=["site_id", "n_row", "register_key"], glob=False)
                    for file in files
                ]
            )
        except (OSError, pl.exceptions.PolarsError, pa.ArrowException):
            return None
        wanted = pl.DataFrame({"site_id": homes}, schema={"site_id": pl.String})
        sites = registers.sites.join(wanted, on="site_id", how="semi")
        facts = site_sky(sites, settings.day).select("site_id", now="register_key")
        used = (
            facts.filter(~pl.col("site_id").is_in(unknown))
            .join(days, on="site_id", how="left")
            .filter(pl.col("register_key").is_null() | (pl.col("register_key") == pl.col("now")))
            .select("site_id", used=pl.col("n_row").fill_null(0).cast(pl.Int64))
        )
        return NightUsed(used, is_probed)
    return None


def differs(counts: pl.DataFrame, used: pl.DataFrame) -> bool:
    """Tell whether a home's `used` in `counts` (none: 0) is another than in `used`."""
    both = used.join(counts.select("site_id", now="used"), on="site_id", how="left")
    return not both.filter(pl.col("now").fill_null(0) != pl.col("used")).is_empty()
