"""How many rows of a day came in, and what became of them: what the store notes beside a shard's tables."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass


@dataclass(frozen=True)
class DayCounts:
    """Rows of one UTC day: `rows_in` = used + duplicate + rejected; and ids no register knows.

    `three_line_homes` have rows in line_day, whose file is there only where there are any.
    """

    rows_in: int
    used: int
    duplicate: int
    rejected: int
    files: int
    unknown_homes: tuple[str, ...] = ()
    three_line_homes: int = 0

    def as_json(self) -> bytes:
        """Return it as the store's file has it."""
        told = asdict(self)
        if not self.three_line_homes:
            del told["three_line_homes"]
        return json.dumps(told, indent=1).encode()


def total_counts(parts: Sequence[DayCounts]) -> DayCounts:
    """Return the counts of a day from those of its shards."""
    return DayCounts(
        sum(part.rows_in for part in parts),
        sum(part.used for part in parts),
        sum(part.duplicate for part in parts),
        sum(part.rejected for part in parts),
        max(part.files for part in parts),
        tuple(sorted({home for part in parts for home in part.unknown_homes})),
        sum(part.three_line_homes for part in parts),
    )
