"""Words, settings, errors and the small tools that everything else uses.

In: a settings file, the environment. Out: `Settings`, the contract's columns and codes, one-line errors, SQL run on
DuckDB (`sql_runner.py`), files written whole (`atomic_files.py`), work cut into shards of homes and carried out by
an executor (`sharding.py`, `executors.py`). Knows nothing of lakes, homes or nights. Open `contract.py` first.

>>> from pipeline.core.contract import FAULTS
>>> "legs_crossed" in FAULTS
True
"""
