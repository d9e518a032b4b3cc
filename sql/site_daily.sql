-- site_daily: one row a home and UTC day.
-- The few daily numbers in which a change shows, for the onset search and the pictures.
--   site_id [-], day [date]
--   slope_l1, slope_l1_se, slope_l2, slope_l2_se [W/W] slope on the probe
--   night_l1_w, night_l2_w [W]                         nightly medians
--   night_l1_negative_share, night_l2_negative_share [0..1]
--   zero_l1_share, zero_l2_share [0..1]                zero while another channel lives
--   tiny_l1_share, tiny_l2_share [0..1]                within a dead input's noise
--   coverage_share [0..1]
-- As interval_read it takes its range of homes from variables.
SELECT
  site_id, day,
  CASE WHEN is_sunny THEN s_l1 END AS slope_l1, CASE WHEN is_sunny THEN s_l1_se * (1 + $few_ramps / s_n) END AS slope_l1_se,
  CASE WHEN is_sunny THEN s_l2 END AS slope_l2, CASE WHEN is_sunny THEN s_l2_se * (1 + $few_ramps / s_n) END AS slope_l2_se,
  l1_night_p50 AS night_l1_w, l2_night_p50 AS night_l2_w,
  n_neg_l1_night / nullif(n_night, 0) AS night_l1_negative_share,
  n_neg_l2_night / nullif(n_night, 0) AS night_l2_negative_share,
  n_lone_l1 / nullif(n_l1, 0) AS zero_l1_share, n_lone_l2 / nullif(n_l2, 0) AS zero_l2_share,
  n_tiny_l1 / nullif(n_l1, 0) AS tiny_l1_share, n_tiny_l2 / nullif(n_l2, 0) AS tiny_l2_share,
  least(1, covered_min / 1440.0) AS coverage_share
FROM (
  SELECT *, coalesce(n_dark_pv_live <= 0.5 * n_dark, true) AS is_sunny  -- production that lives by night is no probe
  FROM read_parquet($day_files)
  WHERE (getvariable('first_home') IS NULL OR site_id >= getvariable('first_home'))
    AND (getvariable('before_home') IS NULL OR site_id < getvariable('before_home'))
)
ORDER BY site_id, day
