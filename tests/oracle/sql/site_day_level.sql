-- site_day_level: one row a home of one UTC day.
-- Counts, sums and squares of the levels, night and day apart; what is zero, negative, stale or dark.
--   site_key [-]  home
--   n_row, n_l1, n_l2, n_pv, n_volt, n_net, n_battery [rows]  rows, and rows with the value
--   length_min, covered_min [min]                  usual interval, time covered by rows
--   n_dark, n_dark_pv_live, n_night, n_sun [rows]  sun below the dark line; of these with PV live; quiet nights; sun up
--   n_pv_sun, n_balanced [rows]                    PV live and sun up; of these with the legs summing to about zero
--   n_neg_l1_night, n_neg_l2_night, n_neg_sum_night, n_neg_l1_day, n_neg_l2_day [rows]  below -noise
--   n_zero_l1, n_zero_l2, n_zero_all, n_zero_l1_dark, n_zero_l2_dark [rows]  within the zero band; all channels at once by day
--   n_lone_l1, n_lone_l2 [rows]                    zero twice running while the other leg or PV lives (a net reading only passes through zero)
--   n_gap_l1, n_gap_l2, n_low_l1, n_low_l2 [rows] by night: zero while the other leg lives; low, but not zero
--   l1_dark_size, l2_dark_size [W]                 90th percentile of the size of dark readings
--   n_tiny_l1, n_tiny_l2 [rows]                    within the band of a dead input's noise
--   n_stale_l1, n_stale_l2, n_step_row [rows]      exactly as in the row before, of n_step_row steps
--   n_drop_l1, n_drop_l2 [rows]                    from live to such a zero
--   l1_night_w, l2_night_w, l1_day_w, l2_day_w, pv_day_w, pv_dark_w [W sum]  sums of levels
--   l1_l1_night, l2_l2_night, l1_l2_night, l1_l1_day, l2_l2_day, l1_l2_day [W2]  squares and products
--   pv_pv_day, l1_pv_day, l2_pv_day [W2]           with production
--   sky_n, sky_x, sky_xx, l1_sky, l2_sky, pv_sky, l1_all_w, l2_all_w, pv_all_w, l1_l1_all, l2_l2_all, pv_pv_all [-, W, W2]
--                                                  with the height of the sun (sine, 0 at night), all hours
--   pv_cos_w, pv_sin_w [W sum]                     PV on the circle of the sun's hour angle: when the home's noon is
--   l1_abs_wh, l2_abs_wh, pv_wh [Wh]               energies
--   pv_abs_w [W sum], pv_max_w [W]                 size of production: sum and highest
--   l1_night_p05, l1_night_p50, l1_night_p95, l2_night_p05, l2_night_p50, l2_night_p95,
--   sum_night_p05, sum_night_p50, sum_night_p95 [W] night quantiles
--   l1_night_min, l2_night_min [W]                 lowest of the night, rows with every channel at zero aside
--   l1_v_sum, l2_v_sum, vdiff_vdiff [V, V2]        leg voltages: sums, square of their difference
WITH level AS (
  SELECT *, NOT is_night AS is_day, greatest(sun_sin, 0) AS sky,
    abs(l1_w) < $zero_w AS is_zero_l1, abs(l2_w) < $zero_w AS is_zero_l2,
    abs(l1_w) < $zero_w AND abs(before_l1_w) < $zero_w AND (abs(l2_w) > $drop_w OR is_pv_live) AS is_open_l1,
    abs(l2_w) < $zero_w AND abs(before_l2_w) < $zero_w AND (abs(l1_w) > $drop_w OR is_pv_live) AS is_open_l2
  FROM interval_step
)
SELECT
  site_key,
  count(*) AS n_row, count(l1_w) AS n_l1, count(l2_w) AS n_l2, count(pv_w) AS n_pv,
  count(vdiff_v) AS n_volt, count(net_w) AS n_net, count(battery_w) AS n_battery,
  min(length_min) AS length_min, sum(length_min) AS covered_min,
  count_if(is_dark) AS n_dark, count_if(is_dark AND abs(pv_w) > pv_quiet_w) AS n_dark_pv_live,
  count_if(is_night) AS n_night, count_if(sun_sin > $sun_sin) AS n_sun,
  count_if(is_night AND l1_w < -$noise_w) AS n_neg_l1_night,
  count_if(is_night AND l2_w < -$noise_w) AS n_neg_l2_night,
  count_if(is_night AND l1_w + coalesce(l2_w, 0) < -$noise_w) AS n_neg_sum_night,
  count_if(is_day AND l1_w < -$noise_w) AS n_neg_l1_day,
  count_if(is_day AND l2_w < -$noise_w) AS n_neg_l2_day,
  count_if(sun_sin > $sun_sin AND is_pv_live) AS n_pv_sun,
  count_if(sun_sin > $sun_sin AND is_pv_live AND abs(l1_w + coalesce(l2_w, 0)) < $balanced_w) AS n_balanced,
  count_if(is_zero_l1) AS n_zero_l1, count_if(is_zero_l2) AS n_zero_l2,
  count_if(is_zero_l1 AND coalesce(is_zero_l2, true) AND abs(pv_w) < $zero_w AND sun_sin > $sun_sin) AS n_zero_all,
  count_if(is_dark AND is_zero_l1) AS n_zero_l1_dark, count_if(is_dark AND is_zero_l2) AS n_zero_l2_dark,
  count_if(is_night AND is_zero_l1 AND abs(l2_w) > $drop_w) AS n_gap_l1,
  count_if(is_night AND is_zero_l2 AND abs(l1_w) > $drop_w) AS n_gap_l2,
  count_if(is_night AND NOT is_zero_l1 AND abs(l1_w) < 5 * $zero_w) AS n_low_l1,
  count_if(is_night AND NOT is_zero_l2 AND abs(l2_w) < 5 * $zero_w) AS n_low_l2,
  count_if(is_open_l1) AS n_lone_l1, count_if(is_open_l2) AS n_lone_l2,
  quantile_cont(abs(l1_w), 0.9) FILTER (is_dark) AS l1_dark_size,
  quantile_cont(abs(l2_w), 0.9) FILTER (is_dark) AS l2_dark_size,
  count_if(abs(l1_w) < $tiny_w) AS n_tiny_l1, count_if(abs(l2_w) < $tiny_w) AS n_tiny_l2,
  count_if(is_step AND d_l1_w = 0 AND abs(l1_w) >= $zero_w) AS n_stale_l1,
  count_if(is_step AND d_l2_w = 0 AND abs(l2_w) >= $zero_w) AS n_stale_l2,
  count_if(is_step) AS n_step_row,
  count_if(is_step AND is_open_l1 AND abs(twice_before_l1_w) > $drop_w) AS n_drop_l1,
  count_if(is_step AND is_open_l2 AND abs(twice_before_l2_w) > $drop_w) AS n_drop_l2,
  sum(l1_w) FILTER (is_night) AS l1_night_w, sum(l2_w) FILTER (is_night) AS l2_night_w,
  sum(l1_w) FILTER (is_day) AS l1_day_w, sum(l2_w) FILTER (is_day) AS l2_day_w,
  sum(pv_w) FILTER (is_day) AS pv_day_w, sum(abs(pv_w)) FILTER (is_dark) AS pv_dark_w,
  sum(l1_w * l1_w) FILTER (is_night) AS l1_l1_night, sum(l2_w * l2_w) FILTER (is_night) AS l2_l2_night,
  sum(l1_w * l2_w) FILTER (is_night) AS l1_l2_night,
  sum(l1_w * l1_w) FILTER (is_day) AS l1_l1_day, sum(l2_w * l2_w) FILTER (is_day) AS l2_l2_day,
  sum(l1_w * l2_w) FILTER (is_day) AS l1_l2_day, sum(pv_w * pv_w) FILTER (is_day) AS pv_pv_day,
  sum(l1_w * pv_w) FILTER (is_day) AS l1_pv_day, sum(l2_w * pv_w) FILTER (is_day) AS l2_pv_day,
  count(sky) AS sky_n, sum(sky) AS sky_x, sum(sky * sky) AS sky_xx,
  sum(l1_w * sky) AS l1_sky, sum(l2_w * sky) AS l2_sky, sum(pv_w * sky) AS pv_sky,
  sum(l1_w) AS l1_all_w, sum(l2_w) AS l2_all_w, sum(pv_w) AS pv_all_w,
  sum(l1_w * l1_w) AS l1_l1_all, sum(l2_w * l2_w) AS l2_l2_all, sum(pv_w * pv_w) AS pv_pv_all,
  sum(pv_w * cos(sun_hour_rad)) AS pv_cos_w, sum(pv_w * sin(sun_hour_rad)) AS pv_sin_w,
  sum(abs(l1_w) * length_min) / 60 AS l1_abs_wh, sum(abs(l2_w) * length_min) / 60 AS l2_abs_wh,
  sum(pv_w * length_min) / 60 AS pv_wh, sum(abs(pv_w)) AS pv_abs_w, max(abs(pv_w)) AS pv_max_w,
  quantile_cont(l1_w, 0.05) FILTER (is_night) AS l1_night_p05,
  quantile_cont(l1_w, 0.50) FILTER (is_night) AS l1_night_p50,
  quantile_cont(l1_w, 0.95) FILTER (is_night) AS l1_night_p95,
  quantile_cont(l2_w, 0.05) FILTER (is_night) AS l2_night_p05,
  quantile_cont(l2_w, 0.50) FILTER (is_night) AS l2_night_p50,
  quantile_cont(l2_w, 0.95) FILTER (is_night) AS l2_night_p95,
  quantile_cont(l1_w + l2_w, 0.05) FILTER (is_night) AS sum_night_p05,
  quantile_cont(l1_w + l2_w, 0.50) FILTER (is_night) AS sum_night_p50,
  quantile_cont(l1_w + l2_w, 0.95) FILTER (is_night) AS sum_night_p95,
  min(l1_w) FILTER (is_night AND NOT (is_zero_l1 AND coalesce(is_zero_l2, true))) AS l1_night_min,
  min(l2_w) FILTER (is_night AND NOT (is_zero_l1 AND is_zero_l2)) AS l2_night_min,
  sum(l1_v) FILTER (vdiff_v IS NOT NULL) AS l1_v_sum, sum(l2_v) FILTER (vdiff_v IS NOT NULL) AS l2_v_sum,
  sum(vdiff_v * vdiff_v) AS vdiff_vdiff
FROM level
GROUP BY site_key
