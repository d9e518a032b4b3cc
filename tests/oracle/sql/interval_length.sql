-- interval_length: one row an interval of one UTC day, with the time to its neighbours.
-- How long each interval is, read from the data itself: the shortest gap of the home's day, an hour at the most.
--   site_key       [-]    whole number for site_id
--   interval_start [UTC]  start of the interval
--   gap_min        [min]  since the previous row of the home, null on its first
--   length_min     [min]  length of the interval
--   l1_w, l2_w, pv_w, battery_w [W], l1_v, l2_v [V], l1_var, l2_var [var], net_w [W] as read; net_w is import - export
WITH neighbours AS (
  SELECT
    s.site_key,
    u.interval_start,
    date_diff('minute', lag(u.interval_start) OVER by_home, u.interval_start) AS gap_min,
    u.l1_w, u.l2_w, u.pv_w, u.battery_w, u.l1_v, u.l2_v, u.l1_var, u.l2_var,
    u.import_wh - u.export_wh AS net_wh
  FROM interval_used u
  JOIN site_sky s USING (site_id)
  WINDOW by_home AS (PARTITION BY s.site_key ORDER BY u.interval_start)
)
SELECT
  site_key, interval_start, gap_min,
  least(coalesce(min(gap_min) OVER (PARTITION BY site_key), $default_length_min), 60) AS length_min,
  l1_w, l2_w, pv_w, battery_w, l1_v, l2_v, l1_var, l2_var,
  net_wh * 60.0 / length_min AS net_w
FROM neighbours
