-- ramp: one row a home, PV ramp and series of one UTC day.
-- How each reading answers when PV moves over about a quarter of an hour and the battery rests (a battery answers to the load,
-- so it can't calibrate): its step per watt. A production reading with noise in it makes such ratios too small; so
-- which ramps count, and how much, is told by the rows just outside the ramp, whose noise is not in the ratio (an
-- instrument, as in errors-in-variables regression).
--   site_key [-]     home
--   series   [-]     l1, l2, sum, am, pm, l1_var, l2_var, net (am, pm: the sum before and after the sun's noon)
--   ratio    [W/W]   step of the series over step of PV (var/W for reactive power)
--   weight   [W]     size of the PV step from the row before the ramp to the row after it, to 1/1024 W: such numbers add up
--                    to the same sum in any order, and which ramp is the middle one hangs on it
WITH lit AS (
  SELECT site_key, interval_start, length_min, ramp_w, sun_hour_rad, is_battery_idle,
    greatest(1, round($ramp_span_min / length_min))::INTEGER AS rows,
    l1_w, l2_w, l1_var, l2_var, net_w, pv_w
  FROM interval_step
  WHERE NOT is_dark OR is_pv_live
), spanned AS (
  SELECT site_key, sun_hour_rad, ramp_w,
    lead(pv_w) OVER by_home - lag(pv_w, rows + 1) OVER by_home AS around_w,
    pv_w - lag(pv_w, rows) OVER by_home AS d_pv_w,
    l1_w - lag(l1_w, rows) OVER by_home AS d_l1_w, l2_w - lag(l2_w, rows) OVER by_home AS d_l2_w,
    l1_var - lag(l1_var, rows) OVER by_home AS d_l1_var, l2_var - lag(l2_var, rows) OVER by_home AS d_l2_var,
    net_w - lag(net_w, rows) OVER by_home AS d_net_w,
    is_battery_idle AND lag(is_battery_idle, rows) OVER by_home
      AND date_diff('minute', lag(interval_start, rows + 1) OVER by_home, lead(interval_start) OVER by_home)
          = (rows + 2) * length_min AS is_whole
  FROM lit
  WINDOW by_home AS (PARTITION BY site_key ORDER BY interval_start)
), calibrating AS (
  SELECT site_key, round(abs(around_w) * 1024) / 1024 AS weight,
    d_l1_w / d_pv_w AS l1, d_l2_w / d_pv_w AS l2, (d_l1_w + coalesce(d_l2_w, 0)) / d_pv_w AS sum,
    CASE WHEN sin(sun_hour_rad) < 0 THEN (d_l1_w + coalesce(d_l2_w, 0)) / d_pv_w END AS am,
    CASE WHEN sin(sun_hour_rad) >= 0 THEN (d_l1_w + coalesce(d_l2_w, 0)) / d_pv_w END AS pm,
    d_l1_var / d_pv_w AS l1_var, d_l2_var / d_pv_w AS l2_var,
    d_net_w / d_pv_w AS net
  FROM spanned
  WHERE is_whole AND abs(around_w) >= ramp_w AND around_w * d_pv_w > $ramp_core_share * around_w * around_w
)
UNPIVOT calibrating ON l1, l2, sum, am, pm, l1_var, l2_var, net INTO NAME series VALUE ratio
