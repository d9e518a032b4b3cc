-- site_signal: one row a home.
-- The features beside what the register says: gains instead of slopes, and whether each probe can speak at all.
--   and all of site_feature, site_fact: the register's service, is_declared_upstream, is_added_back and so on
--   gain_l1, gain_l2, gain_sum, gain_l1_se, gain_l2_se, gain_sum_se [-] 1 a right CT upstream, -1 turned, 0 no PV seen
--   expected_gain [-]        by the declared position: 1 upstream, 0 downstream, null undeclared
--   slope_expected [W/W]     the same as a slope a leg, production added back included
--   phase_l1_deg, phase_l2_deg, phase_l1_se_deg, phase_l2_se_deg [deg] lead of the leg's current by PV ramps, against a right 120/240 or 120/208
--   sag_l1_z, sag_l2_z [-]   sag coefficients in standard errors, null where the legs can't be told apart
--   sag_one_z [-]            sag on leg 1's reading alone in standard errors (both CTs on one leg: which)
--   sag_log_ratio, sag_log_se [-] ln of leg 2's gain over leg 1's: a leg that reads half sags twice as much a watt read
--   sag_v_per_kw [V/kW]      size of the sag, by the leg that sags less and the gain of both: a low reading is no loose neutral
--   meter_gain_l1, meter_gain_l2, meter_gain_se [-] reading over truth by the utility meter
--   pv_clock_h [h]           how far PV's middle lies from the sun's noon
--   is_clock_suspect [bool]  PV says that the clock, not the CT, is wrong
--   is_battery_hidden [bool] a battery is there but its power isn't reported
--   has_probe [bool]         enough PV ramps to speak
--   line_count [count]       line conductors of the home, 1 to 3; with three, the rows here are of a pair of lines
WITH gain AS (
  SELECT f.*, r.* EXCLUDE (site_id), s.* EXCLUDE (site_id),
    -s.share_l1 AS unit_l1, -s.share_l2 AS unit_l2, -s.share_sum AS unit_sum, -s.share_fed AS unit_fed,
    CASE WHEN r.is_added_back THEN s.share_l1 ELSE 0 END AS added_l1,
    CASE WHEN r.is_added_back THEN s.share_l2 ELSE 0 END AS added_l2,
    CASE WHEN r.is_added_back THEN s.share_sum ELSE 0 END AS added_sum,
    CASE WHEN r.is_added_back THEN s.share_fed ELSE 0 END AS added_fed
  FROM site_feature f
  JOIN site_fact r USING (site_id)
  JOIN site_share s USING (site_id)
), clock AS (
  SELECT *, pv_noon_h AS pv_clock_h,
    coalesce(abs(pv_noon_h) > $clock_off_h AND pv_max_w > $clock_pv_w
      AND coalesce(greatest(sky_corr_l1, sky_corr_l2), 0) < $clock_sky_corr
      AND coalesce(greatest(zero_l1_dark_share, zero_l2_dark_share), 0) < 0.5, false) AS is_clock_suspect
  FROM gain
)
SELECT * EXCLUDE (added_l1, added_l2, added_sum, added_fed, unit_l1, unit_l2, unit_sum, unit_fed, share_l1, share_l2,
    share_sum, share_fed, lead_l1_deg, lead_l2_deg, line_count),
  (slope_l1 - added_l1) / unit_l1 AS gain_l1, (slope_l2 - added_l2) / unit_l2 AS gain_l2,
  coalesce((slope_sum - added_sum) / unit_sum, (slope_l1 - added_l1) / unit_l1) AS gain_sum,
  slope_l1_se / abs(unit_l1) AS gain_l1_se, slope_l2_se / abs(unit_l2) AS gain_l2_se,
  coalesce(slope_sum_se / abs(unit_sum), slope_l1_se / abs(unit_l1)) AS gain_sum_se,
  (CASE WHEN is_declared_upstream THEN 1.0 WHEN NOT is_declared_upstream THEN 0.0 END)::DOUBLE AS expected_gain,
  CASE WHEN is_declared_upstream THEN unit_fed + added_fed WHEN NOT is_declared_upstream THEN added_fed END AS slope_expected,
  CASE WHEN unit_l1 < 0 THEN degrees(atan2(var_l1, -slope_l1 + added_l1)) - lead_l1_deg END AS phase_l1_deg,
  CASE WHEN unit_l2 < 0 THEN degrees(atan2(var_l2, -slope_l2 + added_l2)) - lead_l2_deg END AS phase_l2_deg,
  CASE WHEN unit_l1 < 0 THEN degrees(var_l1_se / nullif(abs(slope_l1 - added_l1), 0)) END AS phase_l1_se_deg,
  CASE WHEN unit_l2 < 0 THEN degrees(var_l2_se / nullif(abs(slope_l2 - added_l2), 0)) END AS phase_l2_se_deg,
  CASE WHEN sag_apart > $sag_apart THEN sag_l1 / nullif(sag_l1_se, 0) END AS sag_l1_z,
  CASE WHEN sag_apart > $sag_apart THEN sag_l2 / nullif(sag_l2_se, 0) END AS sag_l2_z,
  CASE WHEN sag_apart > $sag_apart THEN ln(abs(nullif(sag_l1, 0) / nullif(sag_l2, 0))) END AS sag_log_ratio,
  CASE WHEN sag_apart > $sag_apart THEN sqrt(pow(sag_l1_se / nullif(sag_l1, 0), 2) + pow(sag_l2_se / nullif(sag_l2, 0), 2)) END
    AS sag_log_se,
  CASE WHEN sag_apart > $sag_apart THEN least(abs(sag_l1), abs(sag_l2)) * coalesce(least(greatest(abs(gain_sum), 0.2), 1), 1) END
    AS sag_v_per_kw,
  1 / nullif(meter_l1, 0) AS meter_gain_l1, 1 / nullif(meter_l2, 0) AS meter_gain_l2,
  greatest(meter_l1_se, coalesce(meter_l2_se, 0)) AS meter_gain_se,
  coalesce(has_battery, false) AND NOT has_battery_w AS is_battery_hidden,
  coalesce(gain_sum_se < $probe_se, false) AS has_probe, line_count
FROM clock
