-- site_window: one row a home.
-- The home's days of the window merged: sums of the sums, medians of the nightly quantiles.
--   site_id [-]            home
--   days, nights [days]    days with rows; days with a night
--   first_day, last_day    [date] first and last of them
--   length_min [min]       usual interval
--   l1_night_p05, l1_night_p50, l1_night_p95, l2_night_p05, l2_night_p50, l2_night_p95,
--   sum_night_p05, sum_night_p50, sum_night_p95 [W] medians over the nights
--   l1_night_top, l2_night_top, sum_night_top, l1_night_wander, l2_night_wander [W]
--                          90th percentile of the nightly highs; spread of the nightly lows
--   l1_floor_drop, l2_floor_drop, l1_floor_soft, l2_floor_soft [W] how far the lowest of a night falls short of its usual on
--                          one night in ten; and how far it lies under the night's 5th percentile
--   pair_log_ratio, pair_log_sd, leak_l1, leak_l2, leak_l1_sd, leak_l2_sd [-] medians of days and their spread
--   pair_days, leak_l1_days, leak_l2_days [days]    days behind them
--   l1_dark_size, l2_dark_size [W], leak_least_l1, leak_least_l2 [W/W] medians of the days
--   pv_max_w [W]           highest production
--   and some of site_day: every count and sum, under its own name
WITH day_of_home AS (
  SELECT d.* EXCLUDE (register_key)
  FROM read_parquet($day_files) d
  JOIN site_span s USING (site_id)
  WHERE d.day BETWEEN s.from_on AND s.to_on
)
SELECT
  site_id,
  count(*) AS days, count_if(n_night > 0)::INTEGER AS nights, min(day) AS first_day, max(day) AS last_day,
  median(length_min) AS length_min,
  median(l1_night_p05) AS l1_night_p05, median(l1_night_p50) AS l1_night_p50, median(l1_night_p95) AS l1_night_p95,
  median(l2_night_p05) AS l2_night_p05, median(l2_night_p50) AS l2_night_p50, median(l2_night_p95) AS l2_night_p95,
  median(sum_night_p05) AS sum_night_p05, median(sum_night_p50) AS sum_night_p50,
  median(sum_night_p95) AS sum_night_p95,
  quantile_cont(l1_night_p95, 0.9) AS l1_night_top, quantile_cont(l2_night_p95, 0.9) AS l2_night_top,
  quantile_cont(sum_night_p95, 0.9) AS sum_night_top,
  quantile_cont(l1_night_p05, 0.9) - quantile_cont(l1_night_p05, 0.1) AS l1_night_wander,
  quantile_cont(l2_night_p05, 0.9) - quantile_cont(l2_night_p05, 0.1) AS l2_night_wander,
  median(l1_night_min) - quantile_cont(l1_night_min, 0.1) AS l1_floor_drop,
  median(l2_night_min) - quantile_cont(l2_night_min, 0.1) AS l2_floor_drop,
  median(l1_night_p05 - l1_night_min) AS l1_floor_soft, median(l2_night_p05 - l2_night_min) AS l2_floor_soft,
  median(pair_log_ratio) AS pair_log_ratio,
  quantile_cont(pair_log_ratio, 0.84) - quantile_cont(pair_log_ratio, 0.16) AS pair_log_sd,
  count(pair_log_ratio) AS pair_days,
  median(leak_l1) AS leak_l1, quantile_cont(leak_l1, 0.84) - quantile_cont(leak_l1, 0.16) AS leak_l1_sd,
  median(leak_l2) AS leak_l2, quantile_cont(leak_l2, 0.84) - quantile_cont(leak_l2, 0.16) AS leak_l2_sd,
  count(leak_l1) AS leak_l1_days, count(leak_l2) AS leak_l2_days,
  median(leak_least_l1) AS leak_least_l1, median(leak_least_l2) AS leak_least_l2,
  max(pv_max_w) AS pv_max_w, median(l1_dark_size) AS l1_dark_size, median(l2_dark_size) AS l2_dark_size,
  sum(COLUMNS('^((n|d|vd|vm|nm|ne|sky)_.*|d[12p][12p]_.*|covered_min|(l1|l2|pv)_(night|day|all|dark|abs|cos|sin)_w|(l1|l2|pv)_(l1|l2|pv)_.*|(l1|l2|pv)_sky|(l1_abs|l2_abs|pv)_wh|l[12]_v_sum|vdiff_vdiff|s_n)$'))::DOUBLE
FROM day_of_home
GROUP BY site_id
