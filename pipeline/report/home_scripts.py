"""Every home's record, packed in small scripts that a page loads one by one: pages on a disk may not fetch files.

    assets/homes/index.js   how many homes, the first key of each shard, the group of each home
    assets/homes/N.js       the records of shard N, sorted by key

Each calls nightclampHomes(name, text); the text is JSON, deflated (RFC 1950), in base64.
"""

from __future__ import annotations

import base64
import json
import zlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import polars as pl

from pipeline.report.home_groups import GROUPS

FOLDER = "homes"
HOMES_PER_SHARD = 500  # one look-up reads a shard: some 50 kB
_LEVEL = 3  # of 100,000 homes 19 MB in 1 s; 6 would take twice as long for 14 MB
_FIRST_SIGN = ord("A")  # a home's group is one letter of the index
_WORKERS = 2


def write_home_scripts(assets: Path, records: pl.DataFrame) -> None:
    """Write the scripts of `home_records` below the folder `assets`; the same records give the same bytes.

    Raises
    ------
    OSError
        A script can't be written.
    """
    folder = assets / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    lines = records.drop("key").select(pl.struct(pl.all()).struct.json_encode()).to_series()
    starts = range(0, records.height, HOMES_PER_SHARD)
    signs = {group: chr(_FIRST_SIGN + place) for place, group in enumerate(GROUPS)}
    index = {
        "homes": records.height,
        "size": HOMES_PER_SHARD,
        "first": [records["key"][start] for start in starts],
        "groups": {sign: group for group, sign in signs.items()},
        "group_of": "".join(records["group"].replace_strict(signs, return_dtype=pl.String)),
    }

    def write(shard: int) -> None:
        text = f"[{','.join(lines[starts[shard] : starts[shard] + HOMES_PER_SHARD])}]"
        (folder / f"{shard}.js").write_bytes(_script(str(shard), text))

    with ThreadPoolExecutor(_WORKERS) as pool:  # deflating leaves Python free
        list(pool.map(write, range(len(starts))))
    (folder / "index.js").write_bytes(_script("index", json.dumps(index, separators=(",", ":"))))


def _script(name: str, text: str) -> bytes:
    packed = base64.b64encode(zlib.compress(text.encode(), _LEVEL))
    return b'nightclampHomes("' + name.encode() + b'","' + packed + b'");\n'
