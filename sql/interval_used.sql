-- interval_used: one row a home and interval start of one UTC day, sorted by them.
-- The good rows; of several for one start the last that arrived.
--   and all of interval_checked but file_no, row_no, staged_reason, staged_row, reason, arrival, leg_max_w, pv_max_w
-- The window carries two whole numbers a row; over whole rows it took three times as long.
WITH followed AS (
  SELECT arrival, key_us, lead(key_us) OVER (ORDER BY key_us, arrival) AS next_key_us
  FROM interval_checked
  WHERE reason IS NULL
), superseded AS (
  SELECT arrival FROM followed WHERE next_key_us = key_us
)
SELECT * EXCLUDE (file_no, row_no, staged_reason, staged_row, reason, arrival, leg_max_w, pv_max_w)
FROM interval_checked
ANTI JOIN superseded USING (arrival)
WHERE reason IS NULL
ORDER BY key_us
