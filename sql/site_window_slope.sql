-- site_window_slope: one row a home and series.
-- The slopes of the days merged so that a bad day can't carry the month: weights are the inverse variance of a day,
-- lowered for days far from the median day. The error is the larger of what the days promise and how they scatter.
--   site_id  [-]     home
--   series   [-]     l1, l2, sum, am, pm, l1_var, l2_var, net
--   slope    [W/W]   merged slope on the probe
--   slope_se [W/W]   its standard error
--   slope_days [days] days with enough ramps
--   slope_scatter [W/W] how far the days lie apart beyond what their own errors explain
WITH daily AS (
  SELECT d.site_id, unnest([
      {'series': 'l1', 'slope': s_l1, 'day_se': s_l1_se}, {'series': 'l2', 'slope': s_l2, 'day_se': s_l2_se},
      {'series': 'sum', 'slope': s_sum, 'day_se': s_sum_se}, {'series': 'net', 'slope': s_net, 'day_se': s_net_se},
      {'series': 'am', 'slope': s_am, 'day_se': s_am_se}, {'series': 'pm', 'slope': s_pm, 'day_se': s_pm_se},
      {'series': 'l1_var', 'slope': s_l1_var, 'day_se': s_l1_var_se},
      {'series': 'l2_var', 'slope': s_l2_var, 'day_se': s_l2_var_se}], recursive := true),
    s_n
  FROM read_parquet($day_files) d
  JOIN site_span s USING (site_id)
  WHERE d.day BETWEEN s.from_on AND s.to_on AND d.s_n >= $min_ramps
), usable AS (
  SELECT site_id, series, slope,
    sqrt(pow(day_se * (1 + $few_ramps / s_n), 2) + pow($slope_day_sd, 2)) AS day_se,
    median(slope) OVER (PARTITION BY site_id, series) AS middle
  FROM daily
  WHERE isfinite(slope) AND isfinite(day_se)
), weighted AS (
  SELECT *, 1 / (pow(day_se, 2) * (1 + pow((slope - middle) / (2 * day_se), 2))) AS weight
  FROM usable
), merged AS (
  SELECT site_id, series, sum(weight * slope) / sum(weight) AS slope, sum(weight) AS weights,
    1 / sqrt(sum(1 / pow(day_se, 2))) AS promised_se, median(day_se) AS usual_se, count(*) AS slope_days
  FROM weighted
  GROUP BY ALL
)
SELECT m.site_id, m.series, any_value(m.slope) AS slope,
  greatest(any_value(m.promised_se), sqrt(sum(pow(w.weight * (w.slope - m.slope), 2))) / any_value(m.weights))
    AS slope_se,
  any_value(m.slope_days) AS slope_days,
  sqrt(greatest(pow(1.4826 * median(abs(w.slope - m.slope)), 2) - pow(any_value(m.usual_se), 2), 0)) AS slope_scatter
FROM merged m
JOIN weighted w USING (site_id, series)
GROUP BY m.site_id, m.series
