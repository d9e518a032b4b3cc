"""A lake's files become checked rows; what can't be used becomes a reject with its reason.

In: sites, crews, visits, intervals, in contract or as lake.toml maps them. Out: `Registers`, and a day's intervals
in DuckDB as table interval_used, with rejects and counts (rows in = used + duplicate + rejected). `registers.py`
reads the registers, `contract_check.py` is `nightclamp check`, `utility/` reads the
utility's own files of its meters. Open `lake.py` first, then `intervals.py`.

>>> from pathlib import Path
>>> from pipeline.core.settings import load_settings
>>> from pipeline.ingest.lake import open_lake
>>> lake = open_lake(Path("sample_lake"), load_settings())
>>> str(lake.days()[-1])
'2026-06-14'
"""
