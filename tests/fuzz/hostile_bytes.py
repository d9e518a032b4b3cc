"""What files are sent as: CSV and Parquet of a few rows, whole, encrypted or damaged on the way."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import date
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pyarrow.parquet.encryption as pe
from hypothesis import strategies as st

DAY = date(2025, 6, 1)


@dataclass(frozen=True)
class Sent:
    """A file: its name's end, its bytes, and how many rows it has where that is sure."""

    suffix: str
    content: bytes
    rows: int | None = None


def csv_bytes(rows: list[dict[str, str]], names: list[str], delimiter: str = ",") -> bytes:
    """The rows as proper CSV, every value quoted."""
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_ALL, delimiter=delimiter)
    writer.writerow(names)
    writer.writerows([[row.get(name, "") for name in names] for row in rows])
    return out.getvalue().encode("utf-8")


@st.composite
def damaged(draw: st.DrawFn, content: bytes) -> tuple[bytes, bool]:
    """The bytes as they came, truncated, flipped, doubled or of another encoding; and whether they are whole."""
    how = draw(
        st.sampled_from(["whole"] * 24 + ["cut", "flip", "junk", "empty", "utf-16", "latin-1", "twice"])
    )
    if how == "whole":
        return content, True
    at = draw(st.integers(0, max(len(content) - 1, 0)))
    if how == "cut":
        return content[:at], False
    if how == "flip":
        return content[:at] + bytes([draw(st.integers(0, 255))]) + content[at + 1 :], False
    if how == "junk":
        return content + draw(st.binary(max_size=20)), False
    if how == "twice":
        return content + content, False
    if how == "empty":
        return b"", False
    return content.decode("utf-8", "ignore").encode(how, "replace"), False


def parquet_bytes(columns: list[pa.Array], names: list[str], encrypt: str = "", **how: Any) -> bytes:
    out = io.BytesIO()
    table = pa.table(columns, names=names)
    if encrypt:
        how["encryption_properties"] = _keys().file_encryption_properties(
            _client(),
            pe.EncryptionConfiguration(
                footer_key="f", column_keys={"f": names[:1]}, plaintext_footer=encrypt == "columns"
            ),
        )
    pq.write_table(table, out, **how)
    return out.getvalue()


class _PlainKeys(pe.KmsClient):
    """Wraps keys by not hiding them: a test's key is no secret."""

    def wrap_key(self, key_bytes: bytes, master_key_identifier: str) -> bytes:
        return key_bytes.hex().encode()

    def unwrap_key(self, wrapped_key: bytes, master_key_identifier: str) -> bytes:
        return bytes.fromhex(wrapped_key.decode())


def _keys() -> pe.CryptoFactory:
    return pe.CryptoFactory(lambda config: _PlainKeys())


def _client() -> pe.KmsConnectionConfig:
    return pe.KmsConnectionConfig()
