-- site_day_ramp: one row a home and series of one UTC day.
-- The slope on the probe by least absolute deviations through the origin: the weighted median of the ramp ratios.
-- An appliance step moves it by one rank, whatever its size. The error is half the distance between the weighted
-- quantiles one sign-test standard deviation either side of the middle: h = sqrt(sum w2) / (2 sum w).
--   site_key [-]     home
--   series   [-]     l1, l2, sum, am, pm, l1_var, l2_var, net
--   slope    [W/W]   weighted median
--   slope_se [W/W]   its standard error
--   n_ramp   [rows]  ramps
--   weight_w [W]     sum of the ramps
WITH ranked AS (
  SELECT site_key, series, ratio, weight,
    sum(weight) OVER (PARTITION BY site_key, series ORDER BY ratio ROWS UNBOUNDED PRECEDING) AS below_w
  FROM ramp
), total AS (
  SELECT site_key, series, count(*) AS n_ramp, sum(weight) AS weight_w,
    sqrt(sum(weight * weight)) / 2 AS half_w, max(ratio) AS highest, min(ratio) AS lowest
  FROM ramp
  GROUP BY site_key, series
)
SELECT site_key, series,
  min(r.ratio) FILTER (r.below_w >= t.weight_w / 2) AS slope,
  (coalesce(min(r.ratio) FILTER (r.below_w >= t.weight_w / 2 + t.half_w), any_value(t.highest))
   - min(r.ratio) FILTER (r.below_w >= t.weight_w / 2 - t.half_w)) / 2 AS slope_se,
  any_value(t.n_ramp) AS n_ramp, any_value(t.weight_w) AS weight_w
FROM ranked r
JOIN total t USING (site_key, series)
GROUP BY site_key, series
