-- site_daily: one row a home and UTC day.
-- The few daily numbers in which a change shows, for the onset search and the pictures.
--   site_id [-], day [date]
--   slope_l1, slope_l1_se, slope_l2, slope_l2_se [W/W] slope on the probe
--   night_l1_w, night_l2_w [W]                         nightly medians
--   night_l1_negative_share, night_l2_negative_share [0..1]
--   zero_l1_share, zero_l2_share [0..1]                zero while another channel lives
--   tiny_l1_share, tiny_l2_share [0..1]                within a dead input's noise
--   coverage_share [0..1]
SELECT
  site_id, day,
  s_l1 AS slope_l1, s_l1_se * (1 + $few_ramps / s_n) AS slope_l1_se,
  s_l2 AS slope_l2, s_l2_se * (1 + $few_ramps / s_n) AS slope_l2_se,
  l1_night_p50 AS night_l1_w, l2_night_p50 AS night_l2_w,
  n_neg_l1_night / nullif(n_night, 0) AS night_l1_negative_share,
  n_neg_l2_night / nullif(n_night, 0) AS night_l2_negative_share,
  n_lone_l1 / nullif(n_l1, 0) AS zero_l1_share, n_lone_l2 / nullif(n_l2, 0) AS zero_l2_share,
  n_tiny_l1 / nullif(n_l1, 0) AS tiny_l1_share, n_tiny_l2 / nullif(n_l2, 0) AS tiny_l2_share,
  least(1, covered_min / 1440.0) AS coverage_share
FROM read_parquet($day_files)
ORDER BY site_id, day
