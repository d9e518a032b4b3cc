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
  SELECT d.*
  FROM read_parquet($day_files) d
  JOIN site_span s USING (site_id)
  WHERE d.day BETWEEN s.from_on AND s.to_on AND d.s_n >= $min_ramps
), usable AS (
  SELECT site_id, series, day, slope, sqrt(pow(se * (1 + $few_ramps / s_n), 2) + pow($slope_day_sd, 2)) AS day_se
  FROM (
    SELECT site_id, 'l1' AS series, s_l1 AS slope, s_l1_se AS se, s_n, day FROM daily
    UNION ALL SELECT site_id, 'l2', s_l2, s_l2_se, s_n, day FROM daily
    UNION ALL SELECT site_id, 'sum', s_sum, s_sum_se, s_n, day FROM daily
    UNION ALL SELECT site_id, 'net', s_net, s_net_se, s_n, day FROM daily
    UNION ALL SELECT site_id, 'am', s_am, s_am_se, s_n, day FROM daily
    UNION ALL SELECT site_id, 'pm', s_pm, s_pm_se, s_n, day FROM daily
    UNION ALL SELECT site_id, 'l1_var', s_l1_var, s_l1_var_se, s_n, day FROM daily
    UNION ALL SELECT site_id, 'l2_var', s_l2_var, s_l2_var_se, s_n, day FROM daily
  )
  WHERE isfinite(slope) AND isfinite(se)
), line AS (
  SELECT site_id, series, list(slope ORDER BY day) AS slopes, list(day_se ORDER BY day) AS errors, median(slope) AS middle,
    sum(1 / pow(day_se, 2) ORDER BY day) AS promised, median(day_se) AS usual_se, count(*) AS slope_days
  FROM usable
  GROUP BY site_id, series
), weighted AS (
  SELECT *, list_transform(list_zip(slopes, errors),
      lambda d: 1 / (pow(d[2], 2) * (1 + pow((d[1] - middle) / (2 * d[2]), 2)))) AS weights
  FROM line
), merged AS (
  SELECT *, list_sum(weights) AS total, list_inner_product(weights, slopes) / list_sum(weights) AS slope
  FROM weighted
), apart AS (
  SELECT *, list_transform(slopes, lambda s: abs(s - slope)) AS sizes,
    list_transform(list_zip(weights, slopes), lambda d: d[1] * (d[2] - slope)) AS pulls
  FROM merged
)
SELECT site_id, series, slope,
  greatest(1 / sqrt(promised), sqrt(list_inner_product(pulls, pulls)) / total) AS slope_se,
  slope_days,
  sqrt(greatest(pow(1.4826 * list_median(sizes), 2) - pow(usual_se, 2), 0)) AS slope_scatter
FROM apart
