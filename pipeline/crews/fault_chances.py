"""Which fault each install had at commissioning, and how likely: a row a home and a column a fault."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.contract import SOUND

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class FaultChances:
    """Chances of faults by name, one entry a home of `homes`, which is sorted by site_id.

    `faults` the columns' names, sorted; `chance` (homes x faults); `is_found` a visit found it, which is certain;
    `is_told` a visit or the home's likelihoods say something of it.
    """

    homes: pl.DataFrame
    faults: tuple[str, ...]
    chance: Float
    is_found: Bool
    is_told: Bool

    @classmethod
    def of(cls, homes: pl.DataFrame, chance: Float, scores: pl.DataFrame) -> FaultChances:
        """Return the chances of `homes` (site_id, is_visited, is_wrong, found, leg) with `chance` of any fault each.

        A visit's finding is certain. A home nobody visited shares its chance out as its `fault_likelihoods` do.
        """
        shared = [name for name in _likelihoods(scores) if name != SOUND]
        found = homes["found"].to_numpy(allow_copy=True)
        is_wrong = homes["is_wrong"].fill_null(False).to_numpy()
        faults = sorted({*shared, *found[is_wrong].tolist()})
        is_found = is_wrong[:, None] & (found[:, None] == np.array(faults, dtype=object))
        told = homes.select("site_id").join(
            scores.select("site_id", pl.col("fault_likelihoods").struct.unnest()).with_columns(is_scored=True),
            on="site_id", how="left", maintain_order="left",
        )  # fmt: skip
        share = np.zeros((homes.height, len(faults)))
        share[:, [faults.index(name) for name in shared]] = told.select(shared).fill_null(0.0).to_numpy()
        whole = share.sum(axis=1, keepdims=True)
        is_likely = (
            ~homes["is_visited"].to_numpy() & (chance > 0) & told["is_scored"].fill_null(False).to_numpy()
        )
        likely = np.divide(share, whole, out=np.zeros_like(share), where=whole > 0) * chance[:, None]
        is_told = is_likely[:, None] & np.isin(faults, shared) | is_found
        each = np.where(is_found, 1.0, np.where(is_told, likely, 0.0))
        return cls(homes, tuple(faults), each, is_found, is_told)

    def topics(self) -> dict[str, Float]:
        """Return fault -> chance of it at each home."""
        return dict(zip(self.faults, self.chance.T, strict=True))

    def rows(self, least: float = 0.0) -> pl.DataFrame:
        """Return `site_id`, `fault`, `leg`, `is_found`, `chance` of what is told and `least` likely, sorted."""
        home, fault = np.nonzero(self.is_told & (self.chance >= least))
        is_found = pl.Series("is_found", self.is_found[home, fault])
        names = pl.Series("fault", self.faults, dtype=pl.String)
        return self.homes.select("site_id", "leg")[home.tolist()].select(
            "site_id",
            names.gather(fault),
            pl.when(is_found).then("leg").alias("leg"),
            is_found,
            pl.Series("chance", self.chance[home, fault]),
        )

    def by_crew(self) -> pl.DataFrame:
        """Return table crew_fault: confirmed and expected faults of each crew, position of the clamps and fault."""
        groups = self.homes.select("crew_id", "ct_location").with_row_index("at").group_by(
            "crew_id", "ct_location", maintain_order=True
        ).agg("at")  # fmt: skip
        expected = np.where(self.is_found, 0.0, self.chance)
        rows = [
            (crew, position, name, int(self.is_found[at, column].sum()), float(expected[at, column].sum()))
            for crew, position, homes in groups.iter_rows()
            for at in [np.array(homes)]
            for column, name in enumerate(self.faults)
            if self.is_told[at, column].any()
        ]
        return pl.DataFrame(rows, schema=CREW_FAULT, orient="row").sort(
            "crew_id", "ct_location", "fault", nulls_last=True
        )


CREW_FAULT = pl.Schema(
    {
        "crew_id": pl.String, "ct_location": pl.String, "fault": pl.String, "confirmed_faults": pl.Int64,
        "expected_faults": pl.Float64,
    }
)  # fmt: skip


def _likelihoods(scores: pl.DataFrame) -> list[str]:
    return [field.name for field in scores.schema["fault_likelihoods"].fields]  # type: ignore[attr-defined]
