-- window: one row a home.
-- The window worked out from its intervals at one go, by the database's own aggregates: what the merged statistics of
-- the days must equal. Only tests run it, on a small fleet: interval_used holds every day here.
--   site_id [-] home
--   and some of site_window, site_day: counts, sums, squares, products, medians and highs of nightly quantiles
--   and some of site_feature: correlations, and the regressions of leg voltages and of the utility meter
-- Steps don't cross the border of a UTC day. Steps have no level: each row stands beside its mirror image (every sign
-- turned), so that lines go through the origin. Coefficients on three regressors are slopes on what the other two leave
-- of each (Frisch-Waugh); a ridge of 1 W2 on each keeps them defined.
WITH timed AS (
  SELECT u.*, u.interval_start::DATE AS day, s.* EXCLUDE (site_id),
    date_diff('minute', lag(u.interval_start) OVER by_day, u.interval_start) AS gap_min,
    coalesce(least(gap_min, date_diff('minute', u.interval_start, lead(u.interval_start) OVER by_day)),
             $default_length_min) AS length_min
  FROM interval_used u
  JOIN site_sky s USING (site_id) WINDOW by_day AS (PARTITION BY u.site_id, u.interval_start::DATE ORDER BY u.interval_start)
), lit AS (
  SELECT t.*, cos_lat * cos_declination * cos(greenwich_hour_angle_rad + lon_rad) + sin_lat * sin_declination AS sun,
    coalesce(pv_w > pv_quiet_w, false) AS is_live,
    coalesce(sun < $dark_sin, pv_w <= pv_quiet_w, false) AS is_dark,
    is_dark AND NOT is_live AND (is_load_side OR abs(coalesce(battery_w, 0)) < $battery_idle_w) AS is_night,
    pv_w + coalesce(battery_w, 0) AS probe_w,
    pv_w + CASE WHEN f.is_declared_upstream THEN 0 ELSE coalesce(battery_w, 0) END AS meter_probe_w, (import_wh - export_wh) * 60 / length_min AS net_w,
    CASE WHEN least(l1_v, l2_v) >= $volt_low AND greatest(l1_v, l2_v) <= $volt_high AND l2_v IS NOT NULL
         THEN l1_v - l2_v END AS vdiff_v
  FROM timed t
  JOIN sun_time USING (interval_start, length_min) JOIN site_fact f USING (site_id)
), stepped AS (
  SELECT *,
    l1_w - lag(l1_w) OVER by_day AS d1, l2_w - lag(l2_w) OVER by_day AS d2, net_w - lag(net_w) OVER by_day AS dn,
    probe_w - lag(probe_w) OVER by_day AS dp, meter_probe_w - lag(meter_probe_w) OVER by_day AS dq, vdiff_v - lag(vdiff_v) OVER by_day AS dv
  FROM lit
  WINDOW by_day AS (PARTITION BY site_id, day ORDER BY interval_start)
), level AS (
  SELECT site_id, count(*) AS n_row, count(l1_w) AS n_l1, count(l2_w) AS n_l2, count(pv_w) AS n_pv,
    sum(length_min) AS covered_min, count(DISTINCT day) AS days, count(DISTINCT day) FILTER (is_night) AS nights,
    count(*) FILTER (is_night) AS n_night, count(*) FILTER (is_dark) AS n_dark, count(*) FILTER (sun > $sun_sin) AS n_sun,
    count(*) FILTER (is_night AND l1_w < -$noise_w) AS n_neg_l1_night,
    count(*) FILTER (abs(l1_w) < $zero_w) AS n_zero_l1, count(vdiff_v) AS n_volt, count(net_w) AS n_net,
    avg(l1_w) FILTER (is_night) * count(l1_w) FILTER (is_night) AS l1_night_w, sum(l1_w) AS l1_all_w,
    (var_pop(l1_w) FILTER (is_night) + pow(avg(l1_w) FILTER (is_night), 2)) * count(l1_w) FILTER (is_night) AS l1_l1_night,
    sum(abs(l1_w) * length_min / 60) AS l1_abs_wh, sum(pv_w * length_min / 60) AS pv_wh, max(pv_w) AS pv_max_w,
    finite(corr(l1_w, pv_w) FILTER (NOT is_night)) AS pv_corr_l1, finite(corr(l2_w, pv_w) FILTER (NOT is_night)) AS pv_corr_l2,
    finite(corr(l1_w, greatest(sun, 0))) AS sky_corr_l1, finite(corr(l2_w, greatest(sun, 0))) AS sky_corr_l2,
    finite(corr(pv_w, greatest(sun, 0))) AS sky_corr_pv,
    finite(corr(l1_w, l2_w) FILTER (is_night)) AS leg_corr_night, finite(corr(l1_w, l2_w) FILTER (NOT is_night)) AS leg_corr_day,
    sqrt(avg(vdiff_v * vdiff_v)) AS vdiff_rms_v,
    avg(l2_v) FILTER (vdiff_v IS NOT NULL) / avg(l1_v) FILTER (vdiff_v IS NOT NULL) AS volt_ratio
  FROM lit
  GROUP BY site_id
), nightly AS (
  SELECT site_id, median(l1_w) AS l1_p50, quantile_cont(l2_w, 0.95) AS l2_p95, quantile_cont(l1_w + l2_w, 0.05) AS sum_p05
  FROM lit
  WHERE is_night
  GROUP BY site_id, day
), quantile AS (
  SELECT site_id, median(l1_p50) AS l1_night_p50, quantile_cont(l2_p95, 0.9) AS l2_night_top, median(sum_p05) AS sum_night_p05
  FROM nightly
  GROUP BY site_id
), mirrored AS (
  SELECT site_id, is_night, sign.sign * d1 AS d1, sign.sign * d2 AS d2, sign.sign * dp AS dp
  FROM stepped, (VALUES (1), (-1)) sign (sign)
  WHERE gap_min <= $longest_gap_min
), step AS (
  SELECT site_id, count(*) FILTER (is_night) / 2 AS d_n_n, count(*) FILTER (NOT is_night) / 2 AS d_n_d,
    regr_sxx(d2, d1) FILTER (is_night) / 2 AS d11_n,
    covar_pop(d1, d2) FILTER (NOT is_night) * count(d2) FILTER (NOT is_night) / 2 AS d12_d,
    regr_sxx(d1, dp) FILTER (NOT is_night) / 2 AS dpp_d, regr_sxy(d1, dp) FILTER (NOT is_night) / 2 AS d1p_d,
    finite(corr(d1, d2) FILTER (is_night)) AS step_corr_night, finite(corr(d1, d2) FILTER (NOT is_night)) AS step_corr_day
  FROM mirrored
  GROUP BY site_id
), point AS (
  SELECT site_id, 'sag' AS system, d1 AS x1, coalesce(d2, 0) AS x2, CASE WHEN is_night THEN 0 ELSE dp END AS x3, dv AS y, 1 AS n
  FROM stepped
  WHERE gap_min <= $longest_gap_min AND dv IS NOT NULL
  UNION ALL
  SELECT site_id, 'meter', d1, coalesce(d2, 0), dq, dn, 1
  FROM stepped
  WHERE gap_min <= $longest_gap_min AND dn IS NOT NULL
), ridged AS (
  FROM point
  UNION ALL
  SELECT DISTINCT p.site_id, p.system, r.*, 0.0, 0 FROM point p, (VALUES (1, 0, 0), (0, 1, 0), (0, 0, 1)) r (x1, x2, x3)
), both_ways AS (
  FROM ridged
  UNION ALL
  SELECT site_id, system, -x1, -x2, -x3, -y, n FROM ridged
), one_out AS (
  SELECT *,
    x1 - x3 * regr_slope(x1, x3) OVER by_fit AS x1_of_3, x2 - x3 * regr_slope(x2, x3) OVER by_fit AS x2_of_3,
    x2 - x1 * regr_slope(x2, x1) OVER by_fit AS x2_of_1, x3 - x1 * regr_slope(x3, x1) OVER by_fit AS x3_of_1
  FROM both_ways
  WINDOW by_fit AS (PARTITION BY site_id, system)
), alone AS (
  SELECT *, x1_of_3 - x2_of_3 * regr_slope(x1_of_3, x2_of_3) OVER by_fit AS r1,
    x2_of_3 - x1_of_3 * regr_slope(x2_of_3, x1_of_3) OVER by_fit AS r2,
    x3_of_1 - x2_of_1 * regr_slope(x3_of_1, x2_of_1) OVER by_fit AS r3
  FROM one_out
  WINDOW by_fit AS (PARTITION BY site_id, system)
), line AS (
  SELECT *, regr_slope(y, r1) OVER by_fit AS b1, regr_slope(y, r2) OVER by_fit AS b2, regr_slope(y, r3) OVER by_fit AS b3
  FROM alone
  WINDOW by_fit AS (PARTITION BY site_id, system)
), fit AS (
  SELECT site_id, system, any_value(b1) AS b1, any_value(b2) AS b2, any_value(b3) AS b3,
    sqrt(var_pop(y - b1 * x1 - b2 * x2 - b3 * x3) * count(*) / (sum(n) / 2 - 3)) AS sd,
    sd / sqrt(regr_sxx(y, r1)) AS se1, sd / sqrt(regr_sxx(y, r2)) AS se2
  FROM line
  GROUP BY ALL
  HAVING sum(n) > 20 AND var_pop(y) > 0
)
SELECT l.*, q.* EXCLUDE (site_id), s.* EXCLUDE (site_id),
  1000 * g.b1 AS sag_l1, 1000 * g.b2 AS sag_l2, 1000 * g.se1 AS sag_l1_se, 1000 * g.se2 AS sag_l2_se,
  m.b1 AS meter_l1, m.b2 AS meter_l2, m.b3 AS meter_probe, m.se1 AS meter_l1_se, m.se2 AS meter_l2_se
FROM level l
LEFT JOIN quantile q USING (site_id)
LEFT JOIN step s USING (site_id)
LEFT JOIN fit g ON g.site_id = l.site_id AND g.system = 'sag'
LEFT JOIN fit m ON m.site_id = l.site_id AND m.system = 'meter'
ORDER BY l.site_id
