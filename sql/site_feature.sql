-- site_feature: one row a home.
-- What the physics says of the home over its span, from the merged sums.
--   site_id [-], days, nights, slope_days [days], length_min [min], coverage_share [0..1] of the span's time
--   slope_l1, slope_l1_se, slope_l2, slope_l2_se, slope_sum, slope_sum_se, slope_am, slope_am_se, slope_pm,
--   slope_pm_se, slope_net, slope_net_se [W/W] on the probe; am and pm: the sum before and after the sun's noon
--   slope_scatter [W/W] how far the days' slopes of the sum lie apart beyond what their own errors explain
--   var_l1, var_l1_se, var_l2, var_l2_se [var/W]   reactive power on the probe
--   night_l1_w, night_l2_w, night_sum_w, night_l1_low_w, night_l2_low_w, night_sum_low_w [W] nightly medians and lows
--   night_l1_high_w, night_l2_high_w, night_sum_high_w [W] highs; l1_night_wander, l2_night_wander [W] spread of lows
--   floor_l1_drop_w, floor_l2_drop_w, floor_l1_soft_w, floor_l2_soft_w [W] how far the lowest of a night falls on one night in
--                          ten, and lies under the night's 5th percentile: what stands by gives a night a hard floor
--   night_l1_negative_share, night_l2_negative_share, night_sum_negative_share, day_l1_negative_share,
--   day_l2_negative_share [0..1]
--   zero_l1_share, zero_l2_share, zero_all_share, balanced_share, zero_l1_dark_share, zero_l2_dark_share, tiny_l1_share, tiny_l2_share,
--   stale_l1_share, stale_l2_share [0..1]; drop_l1_day, drop_l2_day, glitch_l1_day, glitch_l2_day [1/day]
--   lone_zero_l1_share, lone_zero_l2_share [0..1] zero while another channel lives
--   gap_l1_share, gap_l2_share [0..1] nights' zeros while the other leg lives; gap_l1_sharpness, gap_l2_sharpness [0..1]
--                          zeros among all low readings: a leg that idles passes through them, an open splice jumps
--   dark_l1_size_w, dark_l2_size_w [W] median over the days of the 90th percentile of the size of dark readings
--   pv_corr_l1, pv_corr_l2 [-1..1] level correlation with PV by day
--   sky_corr_l1, sky_corr_l2, sky_corr_pv [-1..1] with the height of the sun, all hours
--   leg_corr_night, leg_corr_day, step_corr_night, step_corr_day [-1..1] leg against leg, levels and steps
--   leg_gain_night [-]     orthogonal slope of leg 2's night steps on leg 1's
--   equal_share, mirror_share, equal_day_share, mirror_day_share [0..1], active_steps, active_day_steps [rows]
--   pair_n [rows], pair_opposite_share [0..1], pair_log_ratio [-], pair_log_se [-]  240 V loads, leg 2 over leg 1
--   leak_l1, leak_l2, leak_l1_se, leak_l2_se [W/W] what a leg copies of the other's steps
--   leak_least_l1, leak_least_l2 [W/W] and the least that three in four of them are copied by
--   sag_l1, sag_l2 [V/kW], sag_l1_se, sag_l2_se, sag_apart [0..1] regression of V1 - V2; apart 0: legs not told apart
--   sag_one_z [-] sag on leg 1's reading alone, in standard errors; has_battery_w [bool] battery power was reported
--   meter_l1, meter_l2, meter_probe, meter_l1_se, meter_l2_se [W/W] regression of the utility meter's net power
--   meter_r2 [0..1] its fit; meter_energy_ratio [-] its energy over that of both legs
--   pv_noon_h [h] sun time of PV's middle; pv_dark_share, pv_dark_live_share [0..1], pv_max_w [W], pv_kwh_day [kWh/day]
--   l1_kwh_day, l2_kwh_day [kWh/day] of absolute readings; volt_share, meter_share [0..1] rows with them
--   vdiff_rms_v [V], volt_ratio [-] leg 2's volts over leg 1's
WITH sag AS (
  FROM site_window_fit WHERE system = 'sag'
), meter AS (
  FROM site_window_fit WHERE system = 'meter'
)
SELECT
  w.site_id, w.days, w.nights, w.slope_days, w.length_min,
  least(1, w.covered_min / (1440.0 * w.long_days)) AS coverage_share,
  w.slope_l1, w.slope_l1_se, w.slope_l2, w.slope_l2_se, w.slope_sum, w.slope_sum_se, w.slope_am, w.slope_am_se,
  w.slope_pm, w.slope_pm_se, w.slope_scatter, w.slope_net, w.slope_net_se,
  w.var_l1, w.var_l1_se, w.var_l2, w.var_l2_se,
  w.l1_night_p50 AS night_l1_w, w.l2_night_p50 AS night_l2_w, w.sum_night_p50 AS night_sum_w,
  w.l1_night_p05 AS night_l1_low_w, w.l2_night_p05 AS night_l2_low_w, w.sum_night_p05 AS night_sum_low_w,
  w.l1_night_top AS night_l1_high_w, w.l2_night_top AS night_l2_high_w, w.sum_night_top AS night_sum_high_w,
  w.l1_night_wander, w.l2_night_wander,
  w.l1_floor_drop AS floor_l1_drop_w, w.l2_floor_drop AS floor_l2_drop_w,
  w.l1_floor_soft AS floor_l1_soft_w, w.l2_floor_soft AS floor_l2_soft_w,
  w.n_neg_l1_night / nullif(w.n_night, 0) AS night_l1_negative_share,
  w.n_neg_l2_night / nullif(w.n_night, 0) AS night_l2_negative_share,
  w.n_neg_sum_night / nullif(w.n_night, 0) AS night_sum_negative_share,
  w.n_neg_l1_day / nullif(w.n_l1 - w.n_night, 0) AS day_l1_negative_share,
  w.n_neg_l2_day / nullif(w.n_l2 - w.n_night, 0) AS day_l2_negative_share,
  w.n_zero_l1 / nullif(w.n_l1, 0) AS zero_l1_share, w.n_zero_l2 / nullif(w.n_l2, 0) AS zero_l2_share,
  w.n_zero_all / nullif(w.n_sun, 0) AS zero_all_share,
  w.n_balanced / nullif(w.n_pv_sun, 0) AS balanced_share,
  w.n_zero_l1_dark / nullif(w.n_dark, 0) AS zero_l1_dark_share,
  w.n_zero_l2_dark / nullif(w.n_dark, 0) AS zero_l2_dark_share,
  w.n_tiny_l1 / nullif(w.n_l1, 0) AS tiny_l1_share, w.n_tiny_l2 / nullif(w.n_l2, 0) AS tiny_l2_share,
  w.n_lone_l1 / nullif(w.n_l1, 0) AS lone_zero_l1_share, w.n_lone_l2 / nullif(w.n_l2, 0) AS lone_zero_l2_share,
  w.n_gap_l1 / nullif(w.n_night, 0) AS gap_l1_share, w.n_gap_l2 / nullif(w.n_night, 0) AS gap_l2_share,
  CASE WHEN w.n_l2 > 0 THEN w.n_gap_l1 / nullif(w.n_gap_l1 + w.n_low_l1, 0) END AS gap_l1_sharpness,
  w.n_gap_l2 / nullif(w.n_gap_l2 + w.n_low_l2, 0) AS gap_l2_sharpness,
  w.leak_least_l1, w.leak_least_l2,
  w.l1_dark_size AS dark_l1_size_w, w.l2_dark_size AS dark_l2_size_w,
  w.n_stale_l1 / nullif(w.n_step_row, 0) AS stale_l1_share, w.n_stale_l2 / nullif(w.n_step_row, 0) AS stale_l2_share,
  w.n_drop_l1 / w.long_days AS drop_l1_day, w.n_drop_l2 / w.long_days AS drop_l2_day,
  w.n_glitch_l1 / w.long_days AS glitch_l1_day, w.n_glitch_l2 / w.long_days AS glitch_l2_day,
  correlation(w.n_row - w.n_night, w.l1_day_w, w.pv_day_w, w.l1_l1_day, w.pv_pv_day, w.l1_pv_day) AS pv_corr_l1,
  correlation(w.n_row - w.n_night, w.l2_day_w, w.pv_day_w, w.l2_l2_day, w.pv_pv_day, w.l2_pv_day) AS pv_corr_l2,
  correlation(w.sky_n, w.l1_all_w, w.sky_x, w.l1_l1_all, w.sky_xx, w.l1_sky) AS sky_corr_l1,
  correlation(w.sky_n, w.l2_all_w, w.sky_x, w.l2_l2_all, w.sky_xx, w.l2_sky) AS sky_corr_l2,
  correlation(w.sky_n, w.pv_all_w, w.sky_x, w.pv_pv_all, w.sky_xx, w.pv_sky) AS sky_corr_pv,
  correlation(w.n_night, w.l1_night_w, w.l2_night_w, w.l1_l1_night, w.l2_l2_night, w.l1_l2_night) AS leg_corr_night,
  correlation(w.n_row - w.n_night, w.l1_day_w, w.l2_day_w, w.l1_l1_day, w.l2_l2_day, w.l1_l2_day) AS leg_corr_day,
  finite(w.d12_n / sqrt(nullif(w.d11_n * w.d22_n, 0))) AS step_corr_night,
  finite(w.d12_d / sqrt(nullif(w.d11_d * w.d22_d, 0))) AS step_corr_day,
  orthogonal_slope(w.d11_n, w.d22_n, w.d12_n) AS leg_gain_night,
  w.n_equal_n / nullif(w.n_active_n, 0) AS equal_share, w.n_mirror_n / nullif(w.n_active_n, 0) AS mirror_share,
  w.n_equal_d / nullif(w.n_active_d, 0) AS equal_day_share, w.n_mirror_d / nullif(w.n_active_d, 0) AS mirror_day_share,
  w.n_active_n AS active_steps, w.n_active_d AS active_day_steps,
  w.n_pair AS pair_n, w.n_pair_opposite / nullif(w.n_pair, 0) AS pair_opposite_share, w.pair_log_ratio,
  coalesce(w.pair_log_sd, 1) / 2 / sqrt(nullif(w.pair_days, 0)) + 0.5 / nullif(w.n_pair, 0) AS pair_log_se,
  w.leak_l1, w.leak_l1_sd / 2 / sqrt(nullif(w.leak_l1_days, 0)) + 0.5 / nullif(w.n_leak_l1, 0) AS leak_l1_se,
  w.leak_l2, w.leak_l2_sd / 2 / sqrt(nullif(w.leak_l2_days, 0)) + 0.5 / nullif(w.n_leak_l2, 0) AS leak_l2_se,
  1000 * g.b1 AS sag_l1, 1000 * g.b2 AS sag_l2, 1000 * g.se1 AS sag_l1_se, 1000 * g.se2 AS sag_l2_se,
  g.apart AS sag_apart,
  finite((w.vd_1v_n + coalesce(w.vd_1v_d, 0)) / sqrt(nullif((w.vd_11_n + coalesce(w.vd_11_d, 0))
    * (w.vd_vv_n + coalesce(w.vd_vv_d, 0)) / nullif(w.vd_n_n + coalesce(w.vd_n_d, 0), 0), 0))) AS sag_one_z,
  m.b1 AS meter_l1, m.b2 AS meter_l2, m.b3 AS meter_probe, m.se1 AS meter_l1_se, m.se2 AS meter_l2_se,
  m.r2 AS meter_r2,
  finite(w.ne_net / nullif(w.ne_l1 + coalesce(w.ne_l2, 0), 0)) AS meter_energy_ratio,
  CASE WHEN w.pv_all_w > 0 THEN atan2(w.pv_sin_w, w.pv_cos_w) * 12 / pi() END AS pv_noon_h,
  finite(w.pv_dark_w / nullif(w.pv_abs_w, 0)) AS pv_dark_share,
  w.n_dark_pv_live / nullif(w.n_dark, 0) AS pv_dark_live_share, w.pv_max_w,
  w.pv_wh / 1000 / w.long_days AS pv_kwh_day, w.l1_abs_wh / 1000 / w.long_days AS l1_kwh_day,
  w.l2_abs_wh / 1000 / w.long_days AS l2_kwh_day,
  coalesce(w.n_battery > 0, false) AS has_battery_w, w.n_volt / w.n_row AS volt_share, w.n_net / w.n_row AS meter_share,
  sqrt(w.vdiff_vdiff / nullif(w.n_volt, 0)) AS vdiff_rms_v, finite(w.l2_v_sum / w.l1_v_sum) AS volt_ratio
FROM site_window w
LEFT JOIN sag g ON g.site_id = w.site_id
LEFT JOIN meter m ON m.site_id = w.site_id
