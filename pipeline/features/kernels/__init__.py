"""Statistics of a day: each is worked out here and nowhere else, in compiled code, a family of them a module.

In: a day's used rows, whole homes at a time (`ingest.used_rows`), and what the register says of them. Out: tables
site_day and site_hour (`day_tables`), and line_day of homes with three lines, whose pairs of lines are homes again
(`lines.py`). `rows.py` knows each row's sun and regime, `count.py` and `level.py` the levels, `step.py` first
differences, `ramp.py` slopes on production, `meter.py` the utility meter. tests/oracle/sql says what each column is,
with its unit and in SQL; the tests hold both equal. Open `homes.py` first.
"""
