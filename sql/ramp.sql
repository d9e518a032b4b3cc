-- ramp: one row a home, PV ramp and series of one UTC day.
-- How each reading answers when PV moves and the battery rests (a battery answers to the load, so it can't calibrate):
-- the step per watt, weighted by the ramp.
--   site_key [-]     home
--   series   [-]     l1, l2, sum, am, pm, l1_var, l2_var, net (am, pm: the sum before and after the sun's noon)
--   ratio    [W/W]   step of the series over step of PV (var/W for reactive power)
--   weight   [W]     size of the PV step
WITH calibrating AS (
  SELECT site_key, abs(d_pv_w) AS weight,
    d_l1_w / d_pv_w AS l1, d_l2_w / d_pv_w AS l2, (d_l1_w + coalesce(d_l2_w, 0)) / d_pv_w AS sum,
    CASE WHEN sin(sun_hour_rad) < 0 THEN (d_l1_w + coalesce(d_l2_w, 0)) / d_pv_w END AS am,
    CASE WHEN sin(sun_hour_rad) >= 0 THEN (d_l1_w + coalesce(d_l2_w, 0)) / d_pv_w END AS pm,
    d_l1_var / d_pv_w AS l1_var, d_l2_var / d_pv_w AS l2_var,
    d_net_w / d_pv_w AS net
  FROM interval_step
  WHERE is_ramp
)
UNPIVOT calibrating ON l1, l2, sum, am, pm, l1_var, l2_var, net INTO NAME series VALUE ratio
