-- interval_step: one row an interval of one UTC day, with the sun over the home and the steps since the row before.
-- Levels, first differences and the regime (dark, night, sun) that each statistic is taken over.
--   and all of interval_length
--   pv_quiet_w     [W]    production below it is none
--   ramp_w         [W]    the PV ramp that calibrates
--   is_load_side   [bool] the register has the CTs at the loads
--   vdiff_v, vmean_v [V]  difference V1 - V2 and mean of the leg voltages where both are plausible
--   probe_w        [W]    what the inverter pushes into the legs: PV plus battery
--   sun_sin        [-]    sine of the sun's elevation, null where the place is unknown
--   sun_hour_rad   [rad]  local hour angle of the sun, 0 at noon
--   is_dark        [bool] sun below the dark line (from PV alone where the place is unknown)
--   is_pv_live     [bool] production above its quiet level
--   is_night       [bool] dark, PV quiet and battery idle (at the loads a battery doesn't matter)
--   d_l1_w, d_l2_w, d_probe_w, d_pv_w, d_battery_w, d_net_w [W] steps since the previous row of the UTC day
--   d_l1_var, d_l2_var [var]; d_vdiff_v, d_vmean_v [V] the same
--   before_l1_w, before_l2_w [W] the row before; twice_before_l1_w, twice_before_l2_w [W] the row before that
--   is_step        [bool] the previous row is at most longest_gap_min away: only then a step counts
--   is_battery_idle [bool] the battery rests, or there is none
--   is_calm        [bool] the step is not driven by PV: night, or the probe stood still
WITH sky AS (
  SELECT
    i.*,
    s.pv_quiet_w, s.ramp_w, s.is_load_side,
    sun_sin_elevation(s.sin_lat, s.cos_lat, s.lon_rad, t.sin_declination, t.cos_declination,
                      t.greenwich_hour_angle_rad) AS sun_sin,
    t.greenwich_hour_angle_rad + s.lon_rad AS sun_hour_rad,
    i.pv_w + coalesce(i.battery_w, 0) AS probe_w,
    CASE WHEN i.l1_v BETWEEN $volt_low AND $volt_high AND i.l2_v BETWEEN $volt_low AND $volt_high
         THEN i.l1_v - i.l2_v END AS vdiff_v,
    CASE WHEN i.l1_v BETWEEN $volt_low AND $volt_high AND i.l2_v BETWEEN $volt_low AND $volt_high
         THEN (i.l1_v + i.l2_v) / 2 END AS vmean_v
  FROM interval_length i
  JOIN site_sky s USING (site_key)
  JOIN sun_time t ON t.interval_start = date_trunc('minute', i.interval_start) AND t.length_min = i.length_min
), regime AS (
  SELECT
    *,
    coalesce(pv_w > pv_quiet_w, false) AS is_pv_live,
    coalesce(sun_sin < $dark_sin, pv_w <= pv_quiet_w, false) AS is_dark,
    abs(coalesce(battery_w, 0)) < $battery_idle_w AS is_battery_idle
  FROM sky
), step AS (
  SELECT
    *,
    is_dark AND NOT is_pv_live AND (is_battery_idle OR is_load_side) AS is_night,
    l1_w - lag(l1_w) OVER by_home AS d_l1_w,
    l2_w - lag(l2_w) OVER by_home AS d_l2_w,
    probe_w - lag(probe_w) OVER by_home AS d_probe_w,
    pv_w - lag(pv_w) OVER by_home AS d_pv_w,
    coalesce(battery_w - lag(battery_w) OVER by_home, 0) AS d_battery_w,
    l1_var - lag(l1_var) OVER by_home AS d_l1_var,
    l2_var - lag(l2_var) OVER by_home AS d_l2_var,
    vdiff_v - lag(vdiff_v) OVER by_home AS d_vdiff_v,
    vmean_v - lag(vmean_v) OVER by_home AS d_vmean_v,
    net_w - lag(net_w) OVER by_home AS d_net_w,
    lag(l1_w) OVER by_home AS before_l1_w,
    lag(l2_w) OVER by_home AS before_l2_w,
    lag(l1_w, 2) OVER by_home AS twice_before_l1_w,
    lag(l2_w, 2) OVER by_home AS twice_before_l2_w,
    coalesce(gap_min <= $longest_gap_min, false) AS is_step
  FROM regime
  WINDOW by_home AS (PARTITION BY site_key ORDER BY interval_start)
)
SELECT
  *,
  is_step AND (is_night OR coalesce(abs(d_probe_w), 0) < $calm_w) AS is_calm
FROM step
