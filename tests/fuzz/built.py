"""A hostile lake on disk."""

from __future__ import annotations

import shutil
from pathlib import Path

from hostile_bytes import DAY, Sent, csv_bytes
from hostile_registers import GOOD


def build(
    folder: Path, sent: dict[str, Sent], files: list[Sent], toml: str = "", names: list[str] | None = None
) -> Path:
    """A lake in a new folder: the registers given, good ones else, and the files of one day."""
    root = folder / "lake"
    shutil.rmtree(root, ignore_errors=True)
    day = root / "intervals" / f"date={DAY}"
    day.mkdir(parents=True)
    for table in ("sites", "crews"):
        good = Sent(".csv", csv_bytes(GOOD[table], list(GOOD[table][0])))
        (root / f"{table}{sent.get(table, good).suffix}").write_bytes(sent.get(table, good).content)
    for table in set(sent) - {"sites", "crews"}:
        (root / f"{table}{sent[table].suffix}").write_bytes(sent[table].content)
    for number, file in enumerate(files):
        (day / f"{names[number] if names else number}{file.suffix}").write_bytes(file.content)
    if toml:
        (root / "lake.toml").write_text(toml, encoding="utf-8")
    return root
