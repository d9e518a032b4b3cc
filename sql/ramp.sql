-- ramp: one row a home, PV ramp and series of one UTC day.
-- How each reading answers when the probe (PV plus battery) moves: the step per watt of probe, weighted by the ramp.
--   site_key [-]     home
--   series   [-]     l1, l2, sum, l1_var, l2_var, net
--   ratio    [W/W]   step of the series over step of the probe (var/W for reactive power)
--   weight   [W]     size of the probe's step
WITH calibrating AS (
  SELECT site_key, abs(d_probe_w) AS weight,
    d_l1_w / d_probe_w AS l1, d_l2_w / d_probe_w AS l2, (d_l1_w + d_l2_w) / d_probe_w AS sum,
    d_l1_var / d_probe_w AS l1_var, d_l2_var / d_probe_w AS l2_var,
    d_net_w / d_probe_w AS net
  FROM interval_step
  WHERE is_ramp
)
UNPIVOT calibrating ON l1, l2, sum, l1_var, l2_var, net INTO NAME series VALUE ratio
