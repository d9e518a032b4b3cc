"""The chance of each fault at commissioning: a row a home and a column a fault."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.contract import SOUND

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
CREW_FAULT = pl.Schema(
    {
        "crew_id": pl.String, "ct_location": pl.String, "fault": pl.String, "confirmed_faults": pl.Int64,
        "expected_faults": pl.Float64,
    }
)  # fmt: skip


@dataclass(frozen=True)
class FaultChances:
    """Chances of faults by name, one entry a home of `homes`, which is sorted by site_id.

    `faults` the columns' names, sorted; `chance` (homes x faults); `is_found` a visit found it, which is certain;
    `is_known` a visit or the home's likelihoods speak of it.
    """

    homes: pl.DataFrame
    faults: tuple[str, ...]
    chance: Float
    is_found: Bool
    is_known: Bool

    @classmethod
    def of(cls, homes: pl.DataFrame, chance: Float, scores: pl.DataFrame) -> FaultChances:
        """Return the chances of `homes` (site_id, is_visited, is_wrong, found, leg) with `chance` of any fault each.

        A visit's finding is certain. A home nobody visited shares its chance out as its `fault_likelihoods` do.
        """
        shared = [name for name in scores["fault_likelihoods"].struct.fields if name != SOUND]
        found = homes["found"].to_numpy(allow_copy=True)
        is_wrong = homes["is_wrong"].fill_null(False).to_numpy()
        faults = sorted({*shared, *found[is_wrong].tolist()})
        is_found = is_wrong[:, None] & (found[:, None] == np.array(faults, dtype=object))
        scored = homes.select("site_id").join(
            scores.select("site_id", pl.col("fault_likelihoods").struct.unnest()).with_columns(is_scored=True),
            on="site_id", how="left", maintain_order="left",
        )  # fmt: skip
        share = np.zeros((homes.height, len(faults)))
        share[:, [faults.index(name) for name in shared]] = scored.select(shared).fill_null(0.0).to_numpy()
        whole = share.sum(axis=1, keepdims=True)
        is_likely = (
            ~homes["is_visited"].to_numpy() & (chance > 0) & scored["is_scored"].fill_null(False).to_numpy()
        )
        likely = np.divide(share, whole, out=np.zeros_like(share), where=whole > 0) * chance[:, None]
        is_known = is_likely[:, None] & np.isin(faults, shared) | is_found
        each = np.where(is_found, 1.0, np.where(is_known, likely, 0.0))
        return cls(homes, tuple(faults), each, is_found, is_known)

    def topics(self) -> dict[str, Float]:
        """Return fault -> chance of it at each home."""
        return dict(zip(self.faults, self.chance.T, strict=True))

    def rows(self, least: float = 0.0) -> pl.DataFrame:
        """Return `site_id`, `fault`, `leg`, `is_found`, `chance` of what is known and `least` likely, sorted."""
        home, fault = np.nonzero(self.is_known & (self.chance >= least))
        is_found = pl.Series("is_found", self.is_found[home, fault])
        names = pl.Series("fault", self.faults, dtype=pl.String)
        return self.homes.select("site_id", "leg")[home.tolist()].select(
            "site_id", names.gather(fault), leg=pl.when(is_found).then("leg"), is_found=is_found,
            chance=pl.Series(self.chance[home, fault]),
        )  # fmt: skip

    def by_crew(self) -> pl.DataFrame:
        """Return table crew_fault: confirmed and expected faults of each crew, position of the CTs and fault."""
        groups = self.homes.select("crew_id", "ct_location").with_row_index("home").group_by(
            "crew_id", "ct_location", maintain_order=True
        ).agg("home")  # fmt: skip
        expected = np.where(self.is_found, 0.0, self.chance)
        counts = [
            (
                crew,
                position,
                name,
                int(self.is_found[rows, column].sum()),
                float(expected[rows, column].sum()),
            )
            for crew, position, homes in groups.iter_rows()
            for rows in [np.array(homes)]
            for column, name in enumerate(self.faults)
            if self.is_known[rows, column].any()
        ]
        return pl.DataFrame(counts, schema=CREW_FAULT, orient="row").sort(
            "crew_id", "ct_location", "fault", nulls_last=True
        )
