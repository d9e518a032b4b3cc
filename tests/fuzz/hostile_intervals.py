"""Interval files and lake.toml of every wrong kind."""

from __future__ import annotations

import gzip
from datetime import datetime, timedelta

import pyarrow as pa
from hostile_bytes import Sent, csv_bytes, damaged, parquet_bytes
from hostile_columns import arrow_column
from hostile_words import texts, toml_string, values
from hypothesis import strategies as st

from pipeline.core import contract
from pipeline.ingest.row_config import UNITS

_NEEDED = ["site_id", "interval_start", "l1_w", "l2_w", "pv_w"]


@st.composite
def interval_file(draw: st.DrawFn) -> Sent:
    """A file of one day's intervals, Parquet or delimited text, some of it wrong."""
    size = draw(st.integers(0, 6))
    names = list(_NEEDED)
    for _ in range(draw(st.integers(0, 3))):
        odd = draw(
            st.sampled_from(
                [
                    "l1_v",
                    "import_wh",
                    "battery_w",
                    "L1_W",
                    "Site_ID",
                    "site_id",
                    "filename",
                    "file_row_number",
                    "_staged_no",
                    "_staged_row",
                    "_staged_reason",
                    "_copy",
                    "note",
                    "",
                    "file_index",
                    "key_us",
                    "a b",
                ]
            )
        )
        if draw(st.integers(0, 12)):
            names.append(odd)
        else:
            names[draw(st.integers(0, len(names) - 1))] = odd
    if draw(st.booleans()):
        columns = [draw(arrow_column(name, size)) for name in names]
        encrypt = draw(st.sampled_from([""] * 12 + ["all", "columns"]))
        if encrypt and len(set(names)) < len(names):
            encrypt = ""
        how = {
            "compression": draw(st.sampled_from(["snappy", "zstd", "none"])),
            "store_schema": draw(st.booleans()),
        }
        if any(pa.types.is_timestamp(c.type) and c.type.unit == "s" for c in columns):
            how["use_deprecated_int96_timestamps"] = False
        try:
            whole = parquet_bytes(columns, names, encrypt, **how)
        except (pa.ArrowException, OSError):  # what can't be written can't be sent
            whole = parquet_bytes([pa.nulls(size) for _ in names], names)
        content, is_whole = draw(damaged(whole))
        return Sent(".parquet", content, size if is_whole and not encrypt else None)
    rows = []
    for number in range(size):
        start = datetime(2025, 6, 1) + timedelta(hours=number)
        row = dict.fromkeys(names, "1") | {
            "site_id": draw(st.sampled_from("ab")),
            "interval_start": f"{start}",
        }
        for name in names:
            if not draw(st.integers(0, 5)):
                row[name] = draw(texts)
        rows.append(row)
    content, is_whole = draw(damaged(csv_bytes(rows, names, draw(st.sampled_from(",,,,,,,,;\t")))))
    if draw(st.integers(0, 3)):
        return Sent(".csv", content)
    return Sent(
        ".csv.gz",
        draw(damaged(gzip.compress(content, mtime=0)))[0] if is_whole else gzip.compress(content, mtime=0),
    )


@st.composite
def lake_toml(draw: st.DrawFn) -> str:
    """A lake.toml: keys that exist and keys that don't, with values that fit and values that don't."""
    lines = ["[intervals]"]
    fits = {
        "minutes": ["15", "60", "1"],
        "labelled": ['"end"', '"start"'],
        "zone": ['"America/Denver"', '"-07:00"', '"+99:99"', '"Europe/Berlin"'],
        "time_format": ['"%Y-%m-%d %H:%M:%S"', '"epoch s"', '"epoch ms"', '"%d.%m.%Y %z"', '"%s"', '"%"'],
        "delimiter": ['";"', '"\\t"', '"|"'],
        "decimal": ['","', '"."'],
        "empty": ['["NA", "-"]', "[]"],
    }
    for key in draw(st.lists(st.sampled_from([*fits, *fits, "colour"]), max_size=3, unique=True)):
        is_odd = key not in fits or not draw(st.integers(0, 11))
        lines.append(f"{key} = {draw(values) if is_odd else draw(st.sampled_from(fits[key]))}")
    if not draw(st.integers(0, 4)):
        channel, value = (
            draw(st.sampled_from(["ch", "val", "site_id"])),
            draw(st.sampled_from(["val", "ch", "l1_w"])),
        )
        lines.append(f'long = {{ channel = "{channel}", value = "{value}", ignore = ["temp"] }}')
    lines.append("[intervals.columns]")
    names = [*contract.Interval.column_names()]
    for name in draw(st.lists(st.sampled_from(names), unique=True, max_size=4)):
        source = toml_string(
            draw(
                st.one_of(
                    st.sampled_from(["l1_w", "kwh", "read_at", "meter", "interval_start", "main_1"]), texts
                )
            )
        )
        own = list(UNITS.get(str(contract.meta(contract.Interval.columns()[name])["unit"]), {"W": 1.0}))
        unit = toml_string(draw(st.sampled_from([*own, *own, *own, "MW"])))
        extra = draw(
            st.sampled_from(
                [
                    "",
                    ", sign = -1",
                    ", volts = 120",
                    ', volts = "l1_v"',
                    ", power_factor = nan",
                    ", volts = inf",
                ]
            )
        )
        lines.append(
            f"{name} = {source}"
            if draw(st.booleans())
            else f"{name} = {{ from = {source}, unit = {unit}{extra} }}"
        )
    for table in draw(st.lists(st.sampled_from(["sites", "crews", "visits"]), unique=True, max_size=2)):
        name = draw(st.sampled_from(contract.TABLES[table].column_names()))
        lines += [f"[{table}]", f"{name} = {draw(st.one_of(values, values.map('{{ always = {} }}'.format)))}"]
    text = "\n".join(lines)
    if not draw(st.integers(0, 5)):
        at = draw(st.integers(0, len(text)))
        text = text[:at] + draw(texts) + text[at + draw(st.integers(0, 3)) :]
    return text
