-- site_pulse: one row a home.
-- The newest day held against the days before it: who was heard, for how long, and what production and clock did.
--   site_id [-]      home
--   days_before [days]                      days before with rows
--   last_day [date]                         newest day with rows
--   is_heard [bool]                         rows on the newest day
--   covered_min, covered_before_min [min]   time covered by rows: on the newest day, median of the days before
--   pv_wh, pv_before_wh [Wh]                production, likewise
--   pv_noon_h, pv_noon_before_h [h]         sun time of PV's middle, likewise
--   dark_live_min, dark_live_before_min [min] time with PV live in the dark, likewise
WITH home_day AS (
  SELECT site_id, day, day = $as_of AS is_newest, covered_min, pv_wh, n_dark_pv_live * length_min AS dark_live_min,
    CASE WHEN pv_all_w > 0 THEN atan2(pv_sin_w, pv_cos_w) * 12 / pi() END AS pv_noon_h
  FROM read_parquet($day_files)
  WHERE day <= $as_of
)
SELECT site_id,
  count(*) FILTER (NOT is_newest) AS days_before, max(day) AS last_day, bool_or(is_newest) AS is_heard,
  max(covered_min) FILTER (is_newest) AS covered_min, median(covered_min) FILTER (NOT is_newest) AS covered_before_min,
  max(pv_wh) FILTER (is_newest) AS pv_wh, median(pv_wh) FILTER (NOT is_newest) AS pv_before_wh,
  max(pv_noon_h) FILTER (is_newest) AS pv_noon_h, median(pv_noon_h) FILTER (NOT is_newest) AS pv_noon_before_h,
  max(dark_live_min) FILTER (is_newest) AS dark_live_min,
  median(dark_live_min) FILTER (NOT is_newest) AS dark_live_before_min
FROM home_day
GROUP BY site_id
ORDER BY site_id
