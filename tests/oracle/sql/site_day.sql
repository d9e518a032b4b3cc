-- site_day: one row a home and UTC day.
-- Everything the window needs of a day, so that its intervals are never read again.
--   site_id  [-]    home
--   day      [date] UTC day
--   register_key [-] the register's facts that the day was worked out with; another value redoes the day
--   s_l1, s_l2, s_sum, s_am, s_pm, s_l1_var, s_l2_var, s_net [W/W] slope on the probe
--   s_l1_se, s_l2_se, s_sum_se, s_am_se, s_pm_se, s_l1_var_se, s_l2_var_se, s_net_se [W/W] standard errors
--   s_n [rows] ramps; s_w [W] their sum
--   and all of site_day_level, site_day_step, site_day_meter but site_key
WITH slope AS (
  SELECT site_key,
    max(slope) FILTER (series = 'l1') AS s_l1, max(slope_se) FILTER (series = 'l1') AS s_l1_se,
    max(slope) FILTER (series = 'l2') AS s_l2, max(slope_se) FILTER (series = 'l2') AS s_l2_se,
    max(slope) FILTER (series = 'sum') AS s_sum, max(slope_se) FILTER (series = 'sum') AS s_sum_se,
    max(slope) FILTER (series = 'am') AS s_am, max(slope_se) FILTER (series = 'am') AS s_am_se,
    max(slope) FILTER (series = 'pm') AS s_pm, max(slope_se) FILTER (series = 'pm') AS s_pm_se,
    max(slope) FILTER (series = 'l1_var') AS s_l1_var, max(slope_se) FILTER (series = 'l1_var') AS s_l1_var_se,
    max(slope) FILTER (series = 'l2_var') AS s_l2_var, max(slope_se) FILTER (series = 'l2_var') AS s_l2_var_se,
    max(slope) FILTER (series = 'net') AS s_net, max(slope_se) FILTER (series = 'net') AS s_net_se,
    max(n_ramp) AS s_n, max(weight_w) AS s_w
  FROM site_day_ramp
  GROUP BY site_key
)
SELECT s.site_id, $day::DATE AS day, s.register_key,
  l.* EXCLUDE (site_key), p.* EXCLUDE (site_key), r.* EXCLUDE (site_key), m.* EXCLUDE (site_key)
FROM site_day_level l
JOIN site_sky s USING (site_key)
LEFT JOIN site_day_step p USING (site_key)
LEFT JOIN slope r USING (site_key)
LEFT JOIN site_day_meter m USING (site_key)
ORDER BY s.site_id
