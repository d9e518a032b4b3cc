"""Good rows of a shard's homes as arrays, in order of home and time, a few whole homes at once."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.core.contract import MEASURES

_ROWS_AT_ONCE = 200_000
_DAY_US = 86_400_000_000
_MINUTE_US = 60_000_000


class OutOfOrder(Exception):
    """The rows as they come are not sorted by home and time."""


@dataclass(frozen=True)
class UsedRows:
    """Rows of whole homes, sorted by home and time.

    `home` is each row's site_key, `minute` its minute of the UTC day, both shape (rows,); `channels` has each of the
    contract's MEASURES by name, in its unit there, NaN for null, and THIRD_LINE where a file of the day has any of it.
    """

    home: NDArray[np.int64]
    minute: NDArray[np.int64]
    channels: Mapping[str, NDArray[np.float64]]


class RowStream:
    """Rows of a relation (key_us, MEASURES, perhaps reason) as `UsedRows`; when it has ended, how many there were.

    `more` are further columns of it that the channels have.

    A row with a reason is counted in `rejected` and passed over; of several for one home and time the last is used, the
    others are counted in `duplicate`. key_us is home and time in one number: rows are in order where it never falls.
    """

    def __init__(self, relation: duckdb.DuckDBPyRelation, *, more: tuple[str, ...] = ()) -> None:
        """Take the relation; nothing is read yet."""
        self._relation, self._channels = relation, (*MEASURES, *more)
        self.rows_in = self.rejected = self.used = self.duplicate = 0

    def __iter__(self) -> Iterator[UsedRows]:
        """Read the rows once.

        Raises
        ------
        OutOfOrder
            A row comes before the one before it.
        duckdb.IOException
            A file can't be read to its end.
        """
        try:
            yield from self._blocks()
        except (OSError, pa.ArrowException) as error:  # what DuckDB says through Arrow
            raise duckdb.IOException(str(error)) from error

    def _blocks(self) -> Iterator[UsedRows]:
        names = [name for name in self._relation.columns if name in ("key_us", "reason", *self._channels)]
        unfinished: list[pa.RecordBatch] = []  # of a home whose last row may be still to come
        last_key = -1
        with self._relation.select(*names).to_arrow_reader(_ROWS_AT_ONCE) as reader:
            for batch in reader:
                good = self._good(batch)
                if not good.num_rows:
                    continue
                key = good["key_us"].to_numpy()
                if key[0] < last_key or (key[1:] < key[:-1]).any():
                    raise OutOfOrder
                ends = int(np.searchsorted(key, key[-1] // _DAY_US * _DAY_US))
                if ends or last_key // _DAY_US < key[-1] // _DAY_US:
                    unfinished.append(good.slice(0, ends))
                    yield from self._arrays(unfinished)
                    unfinished = []
                unfinished.append(good.slice(ends))
                last_key = int(key[-1])
        yield from self._arrays(unfinished)

    def _arrays(self, batches: list[pa.RecordBatch]) -> Iterator[UsedRows]:
        if not sum(batch.num_rows for batch in batches):
            return
        table = pa.Table.from_batches(batches)
        key = table["key_us"].to_numpy()
        channels = {name: _numbers(table[name]) for name in self._channels}
        is_last = np.append(key[1:] != key[:-1], True)
        if not is_last.all():
            self.duplicate += len(key) - int(is_last.sum())
            key, channels = key[is_last], {name: values[is_last] for name, values in channels.items()}
        self.used += len(key)
        home = key // _DAY_US
        yield UsedRows(home, (key - home * _DAY_US) // _MINUTE_US, channels)

    def _good(self, batch: pa.RecordBatch) -> pa.RecordBatch:
        self.rows_in += batch.num_rows
        if "reason" not in batch.schema.names:
            return batch
        why = batch["reason"]
        if why.null_count == batch.num_rows:
            return batch
        self.rejected += batch.num_rows - why.null_count
        return batch.filter(pc.is_null(why))


def _numbers(column: pa.ChunkedArray) -> NDArray[np.float64]:
    # A copy that can be written: an array of Arrow's can't be, which is another type, compiled for anew.
    values: NDArray[np.float64] = np.empty(len(column))
    start = 0
    for chunk in column.chunks:
        values[start : start + len(chunk)] = chunk.to_numpy(zero_copy_only=False)
        start += len(chunk)
    return values
