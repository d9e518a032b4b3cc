-- interval_used: one row a home and interval start of one UTC day, sorted by them.
-- The good rows; of several for one start the last that arrived.
--   site_id        [-]    home
--   interval_start [UTC]  start
--   key_us         [us]  both in one whole number, as in interval_checked
--   l1_w, l2_w, pv_w, battery_w [W], l1_v, l2_v [V], l1_var, l2_var [var], import_wh, export_wh [Wh] null where absent
-- The window carries two whole numbers a row; over whole rows it took three times as long.
WITH followed AS (
  SELECT arrival, key_us, lead(key_us) OVER (ORDER BY key_us, arrival) AS next_key_us
  FROM interval_checked
  WHERE reason IS NULL
), superseded AS (
  SELECT arrival FROM followed WHERE next_key_us = key_us
)
SELECT
  site_id, interval_start,
  l1_w, l2_w, pv_w, l1_v, l2_v, l1_var, l2_var, battery_w, import_wh, export_wh,
  key_us
FROM interval_checked
ANTI JOIN superseded USING (arrival)
WHERE reason IS NULL
ORDER BY key_us
