"""Columns of every type that Parquet knows, under names that mean something else."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import Any

import numpy as np
import pyarrow as pa
from hostile_words import floats, texts, wholes
from hypothesis import strategies as st

_TIMES = st.one_of(
    st.integers(0, 23).map(
        lambda hour: int((datetime(2025, 6, 1, hour) - datetime(1970, 1, 1)).total_seconds()) * 10**6
    ),
    st.sampled_from(
        [0, -1, 2**63 - 1, -(2**63), 2**61, 253402300800000000, -62135596800000001, 1748736000000000]
    ),
    st.integers(-(2**63), 2**63 - 1),
)


@st.composite
def arrow_column(draw: st.DrawFn, name: str, size: int, given: list[str | None] | None = None) -> pa.Array:
    """A column of any type: mostly one that fits its name, else text, numbers, times, nested, bytes, nothing."""
    kinds = ["fits"] * 40 + [
        "text",
        "int",
        "float",
        "half",
        "unsigned",
        "bool",
        "null",
        "date",
        "time",
        "binary",
        "large",
        "list",
        "struct",
        "map",
        "decimal",
        "duration",
        "dictionary",
        "stamp",
    ]
    kind = draw(st.sampled_from(kinds))
    if kind == "fits":
        if given is not None:
            return pa.array(given, pa.string())
        kind = {"site_id": "id", "interval_start": "stamp"}.get(name, "float")

    def drawn(strategy: st.SearchStrategy[Any]) -> list[Any]:
        one = draw(st.booleans())
        return [draw(strategy)] * size if one else [draw(strategy) for _ in range(size)]

    bare = partial(pa.array, from_pandas=False)
    makers = {
        "id": lambda: bare(drawn(st.one_of(st.sampled_from(["a", "b", "a", "b", None]), texts)), pa.string()),
        "text": lambda: bare(drawn(texts), pa.string()),
        "large": lambda: bare(drawn(texts), pa.large_string()),
        "binary": lambda: bare(drawn(st.binary(max_size=4)), pa.binary()),
        "int": lambda: bare(drawn(st.integers(-(2**63), 2**63 - 1)), pa.int64()),
        "unsigned": lambda: bare(drawn(st.integers(0, 2**64 - 1)), pa.uint64()),
        "float": lambda: bare(drawn(st.one_of(floats, st.none())), pa.float64()),
        "half": lambda: bare(np.array(drawn(st.floats(-100, 100)), np.float16), pa.float16()),
        "bool": lambda: bare(drawn(st.booleans()), pa.bool_()),
        "null": lambda: pa.nulls(size),
        "date": lambda: bare(drawn(st.integers(-(2**31), 2**31 - 1)), pa.int32()).view(pa.date32()),
        "time": lambda: bare(drawn(st.integers(0, 86_399_999_999)), pa.time64("us")),
        "duration": lambda: bare(drawn(st.integers(-(2**40), 2**40)), pa.duration("us")),
        "list": lambda: bare(
            drawn(st.lists(wholes.filter(lambda n: abs(n) < 2**31), max_size=2)), pa.list_(pa.int32())
        ),
        "struct": lambda: bare([{"x": value, "y": b"\xff"} for value in drawn(texts)]),
        "map": lambda: bare([[(value, 1)] for value in drawn(texts)], pa.map_(pa.string(), pa.int8())),
        "decimal": lambda: bare(drawn(st.decimals(-999, 999, places=2)), pa.decimal128(12, 2)),
        "dictionary": lambda: bare(drawn(texts), pa.string()).dictionary_encode(),
        "stamp": lambda: _stamps(
            drawn(_TIMES),
            draw(st.sampled_from(["s", "ms", "us", "us", "us", "ns"])),
            draw(st.sampled_from([None, None, "UTC", "America/Denver"])),
        ),
    }
    return makers[kind]()


def _stamps(micros: list[int], unit: str, zone: str | None) -> pa.Array:
    count = {
        "s": lambda us: us // 10**6,
        "ms": lambda us: us // 1000,
        "us": int,
        "ns": lambda us: us * 1000 % 2**63,
    }[unit]
    return pa.array([count(us) for us in micros], pa.int64()).view(pa.timestamp(unit, zone))
