-- interval_checked: one row a data row of one UTC day's files, with why it can't be used.
-- The first rule that a row breaks is its reason; a row without one is good. Columns that only homes with three lines
-- have are checked where a file of the day has them (variables of interval_read).
--   and all of interval_read
--   reason  [text] null for a good row
--   key_us  [us]   home and time in one whole number: site_key x microseconds of a day + time of day
--   arrival [-]    file and row in one whole number: larger came later
--   leg_max_w, pv_max_w [W] the most the home's service and array can carry, null for an unknown home
SELECT
  r.*,
  CASE
    WHEN staged_reason IS NOT NULL THEN staged_reason
    WHEN r.site_id IS NULL THEN 'site_id is missing'
    WHEN s.site_key IS NULL THEN 'unknown home: site_id is not in sites'
    WHEN interval_start IS NULL THEN 'interval_start is missing'
    WHEN interval_start >= $as_of::DATE + 1 THEN 'interval_start lies in the future, after the as-of day'
    WHEN interval_start::DATE <> $day::DATE THEN 'interval_start lies outside its partition''s UTC day'
    WHEN NOT isfinite(l1_w) THEN 'l1_w is NaN or infinite'
    WHEN NOT isfinite(l2_w) THEN 'l2_w is NaN or infinite'
    WHEN getvariable('has_third_line') AND NOT isfinite(l3_w) THEN 'l3_w is NaN or infinite'
    WHEN getvariable('has_pv_by_line') AND NOT isfinite(pv_l1_w) THEN 'pv_l1_w is NaN or infinite'
    WHEN getvariable('has_pv_by_line') AND NOT isfinite(pv_l2_w) THEN 'pv_l2_w is NaN or infinite'
    WHEN getvariable('has_pv_by_line') AND NOT isfinite(pv_l3_w) THEN 'pv_l3_w is NaN or infinite'
    WHEN NOT isfinite(pv_w) THEN 'pv_w is NaN or infinite'
    WHEN NOT isfinite(l1_v) THEN 'l1_v is NaN or infinite'
    WHEN NOT isfinite(l2_v) THEN 'l2_v is NaN or infinite'
    WHEN getvariable('has_third_line') AND NOT isfinite(l3_v) THEN 'l3_v is NaN or infinite'
    WHEN NOT isfinite(l1_var) THEN 'l1_var is NaN or infinite'
    WHEN NOT isfinite(l2_var) THEN 'l2_var is NaN or infinite'
    WHEN getvariable('has_third_line') AND NOT isfinite(l3_var) THEN 'l3_var is NaN or infinite'
    WHEN NOT isfinite(battery_w) THEN 'battery_w is NaN or infinite'
    WHEN NOT isfinite(import_wh) THEN 'import_wh is NaN or infinite'
    WHEN NOT isfinite(export_wh) THEN 'export_wh is NaN or infinite'
    WHEN abs(l1_w) > leg_max_w THEN 'l1_w is more than the service can carry'
    WHEN abs(l2_w) > leg_max_w THEN 'l2_w is more than the service can carry'
    WHEN getvariable('has_third_line') AND abs(l3_w) > leg_max_w THEN 'l3_w is more than the service can carry'
    WHEN abs(l1_var) > leg_max_w THEN 'l1_var is more than the service can carry'
    WHEN abs(l2_var) > leg_max_w THEN 'l2_var is more than the service can carry'
    WHEN getvariable('has_third_line') AND abs(l3_var) > leg_max_w THEN 'l3_var is more than the service can carry'
    WHEN getvariable('has_pv_by_line') AND abs(pv_l1_w) > pv_max_w THEN 'pv_l1_w is more than the array can give'
    WHEN getvariable('has_pv_by_line') AND abs(pv_l2_w) > pv_max_w THEN 'pv_l2_w is more than the array can give'
    WHEN getvariable('has_pv_by_line') AND abs(pv_l3_w) > pv_max_w THEN 'pv_l3_w is more than the array can give'
    WHEN abs(pv_w) > pv_max_w THEN 'pv_w is more than the array can give'
    WHEN l1_v NOT BETWEEN $l1_v_min AND $l1_v_max THEN 'l1_v is out of range'
    WHEN l2_v NOT BETWEEN $l2_v_min AND $l2_v_max THEN 'l2_v is out of range'
    WHEN getvariable('has_third_line') AND l3_v NOT BETWEEN $l3_v_min AND $l3_v_max THEN 'l3_v is out of range'
    WHEN battery_w NOT BETWEEN $battery_w_min AND $battery_w_max THEN 'battery_w is out of range'
    WHEN import_wh NOT BETWEEN $import_wh_min AND $import_wh_max THEN 'import_wh is out of range'
    WHEN export_wh NOT BETWEEN $export_wh_min AND $export_wh_max THEN 'export_wh is out of range'
    WHEN l1_w IS NULL AND l2_w IS NULL AND if(getvariable('has_third_line'), l3_w IS NULL, TRUE)
      THEN 'l1_w and l2_w are both missing'
  END AS reason,
  s.site_key::BIGINT * 86400000000 + epoch_us(interval_start) % 86400000000 AS key_us,
  file_no::BIGINT * 1000000000000 + row_no AS arrival,
  s.leg_max_w, s.pv_max_w
FROM interval_read r
LEFT JOIN site_register s ON s.site_id = r.site_id
