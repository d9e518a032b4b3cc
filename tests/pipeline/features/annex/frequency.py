"""What a contributor edits for one more column of the intervals, the mains frequency, and one statistic made of it.

Each edit is a file, a text in it, and what is put in its place.
"""

EDITS = (
    # 1. the contract: its name, unit and range
    (
        "pipeline/core/contract.py",
        '    battery_w = _number("battery power',
        '    frequency_hz = _number("mean mains frequency", "Hz", 40, 70)\n    battery_w = _number("battery power',
    ),
    # 2. read, checked, shown where it is refused
    ("sql/interval_read.sql", "battery_w, import_wh,", "battery_w, frequency_hz, import_wh,"),
    (
        "sql/interval_checked.sql",
        "    WHEN import_wh NOT BETWEEN",
        "    WHEN frequency_hz NOT BETWEEN $frequency_hz_min AND $frequency_hz_max"
        " THEN 'frequency_hz is out of range'\n"
        "    WHEN import_wh NOT BETWEEN",
    ),
    (
        "sql/interval_checked.sql",
        "    WHEN NOT isfinite(import_wh)",
        "    WHEN NOT isfinite(frequency_hz) THEN 'frequency_hz is NaN or infinite'\n    WHEN NOT isfinite(import_wh)",
    ),
    (
        "sql/interval_reject.sql",
        "'battery_w': battery_w::VARCHAR,",
        "'battery_w': battery_w::VARCHAR, 'frequency_hz': frequency_hz::VARCHAR,",
    ),
    # 3. the kernel: the channel, the row, the statistic
    (
        "pipeline/features/kernels/rows.py",
        "    import_wh: Float\n",
        "    frequency_hz: Float\n    import_wh: Float\n",
    ),
    ("pipeline/features/kernels/rows.py", '"net_w", "probe_w",', '"net_w", "frequency_hz", "probe_w",'),
    (
        "pipeline/features/kernels/rows.py",
        "        r[i].net_w =",
        "        r[i].frequency_hz = channels.frequency_hz[source]\n        r[i].net_w =",
    ),
    ("pipeline/features/kernels/level.py", "l1_v_sum l2_v_sum", "frequency_sum_hz l1_v_sum l2_v_sum"),
    (
        "pipeline/features/kernels/level.py",
        "        has_volt =",
        "        seen |= add(sums, SUM.frequency_sum_hz, r[i].frequency_hz, True)\n        has_volt =",
    ),
    # 4. the oracle: the same in SQL
    ("tests/oracle/sql/interval_length.sql", "u.battery_w,", "u.battery_w, u.frequency_hz,"),
    (
        "tests/oracle/sql/interval_length.sql",
        "pv_w, battery_w, l1_v,",
        "pv_w, battery_w, frequency_hz, l1_v,",
    ),
    (
        "tests/oracle/sql/site_day_level.sql",
        "  sum(l1_v) FILTER",
        "  sum(frequency_hz) AS frequency_sum_hz,\n  sum(l1_v) FILTER",
    ),
    # 5. the feature: its days added up, and what it means
    ("pipeline/features/aggregates/window.py", '"l1_v_sum",', '"frequency_sum_hz", "l1_v_sum",'),
    (
        "sql/site_feature.sql",
        "  w.l1_night_p50 AS night_l1_w,",
        "  w.frequency_sum_hz / nullif(w.n_row, 0) AS frequency_hz,\n  w.l1_night_p50 AS night_l1_w,",
    ),
)
