-- site_day_step: one row a home of one UTC day.
-- Squares and products of first differences, night and day apart, and what simultaneous steps of the legs look like.
-- Suffix _n is night (no sun, PV quiet), _d the rest; sums run through the origin since steps have no level.
--   site_key [-] home
--   d_n_n, d_n_d [rows]                             steps
--   d11_n, d22_n, d12_n, d11_d, d22_d, d12_d [W2]   legs with themselves and each other, where both stepped
--   dpp_d, d1p_d, d2p_d [W2]                        with the probe (PV plus battery)
--   vd_n_n, vd_11_n, vd_22_n, vd_12_n, vd_1v_n, vd_2v_n, vd_vv_n [rows, W2, W V, V2] rows with leg voltages, v = V1 - V2
--   vd_n_d, vd_11_d, vd_22_d, vd_12_d, vd_1v_d, vd_2v_d, vd_vv_d, vd_pp_d, vd_1p_d, vd_2p_d, vd_pv_d [same; p the probe]
--   vm_1m_n, vm_2m_n, vm_1m_d, vm_2m_d, vm_pm_d, vm_mm_n, vm_mm_d, vm_vm_n, vm_vm_d [W V, V2] m = (V1 + V2) / 2
--   n_active_n, n_active_d [rows]                   steps big enough to compare
--   n_equal_n, n_equal_d, n_mirror_n, n_mirror_d [rows] of these: both legs alike, both legs opposite
--   n_pair, n_pair_same, n_pair_opposite [rows]     both legs stepped as a 240 V load does; same sign, opposite sign
--   pair_log_ratio [-]                              median of ln |leg 2 step / leg 1 step| over the pairs
--   n_leak_l1, n_leak_l2 [rows]                     steps of the other leg alone, to see what this leg copies of them
--   leak_l1, leak_l2 [W/W]                          median copy of the other leg's step
--   leak_least_l1, leak_least_l2 [W/W]              the least that three in four of these are copied by: 0 where some aren't,
--                                                   as on legs that only happen to step together
--   n_glitch_l1, n_glitch_l2 [rows]                 sign turned and turned back with the same size
WITH step AS (
  SELECT *, greatest(abs(d_l1_w), abs(d_l2_w)) AS bigger_w,
    is_calm AND abs(d_l1_w) >= $pair_w AND abs(d_l2_w) >= $pair_w
      AND abs(ln(abs(nullif(d_l2_w, 0) / nullif(d_l1_w, 0)))) < $pair_log_range AS is_pair,
    is_calm AND abs(d_l2_w) >= $leak_w AND abs(d_l1_w) < 0.5 * abs(d_l2_w) AS is_leak_l1,
    is_calm AND abs(d_l1_w) >= $leak_w AND abs(d_l2_w) < 0.5 * abs(d_l1_w) AS is_leak_l2,
    d_l1_w IS NOT NULL AND d_l2_w IS NOT NULL AS has_legs,
    d_vdiff_v IS NOT NULL AND d_l1_w IS NOT NULL AND d_l2_w IS NOT NULL
      AND (is_night OR d_probe_w IS NOT NULL OR probe_w IS NULL) AS has_volt
  FROM interval_step
  WHERE is_step
), kind AS (
  SELECT *,
    bigger_w >= $active_w AS is_active,
    abs(d_l1_w - d_l2_w) <= $alike_w + $alike_share * bigger_w AS is_equal,
    abs(d_l1_w + d_l2_w) <= $alike_w + $alike_share * bigger_w AS is_mirror
  FROM step
)
SELECT
  site_key,
  count_if(is_night) AS d_n_n, count_if(NOT is_night) AS d_n_d,
  sum(d_l1_w * d_l1_w) FILTER (is_night AND has_legs) AS d11_n, sum(d_l2_w * d_l2_w) FILTER (is_night AND has_legs) AS d22_n,
  sum(d_l1_w * d_l2_w) FILTER (is_night AND has_legs) AS d12_n,
  sum(d_l1_w * d_l1_w) FILTER (NOT is_night AND has_legs) AS d11_d, sum(d_l2_w * d_l2_w) FILTER (NOT is_night AND has_legs) AS d22_d,
  sum(d_l1_w * d_l2_w) FILTER (NOT is_night AND has_legs) AS d12_d,
  sum(d_probe_w * d_probe_w) FILTER (NOT is_night) AS dpp_d,
  sum(d_l1_w * d_probe_w) FILTER (NOT is_night) AS d1p_d,
  sum(d_l2_w * d_probe_w) FILTER (NOT is_night) AS d2p_d,
  count_if(is_night AND has_volt) AS vd_n_n,
  sum(d_l1_w * d_l1_w) FILTER (is_night AND has_volt) AS vd_11_n,
  sum(d_l2_w * d_l2_w) FILTER (is_night AND has_volt) AS vd_22_n,
  sum(d_l1_w * d_l2_w) FILTER (is_night AND has_volt) AS vd_12_n,
  sum(d_l1_w * d_vdiff_v) FILTER (is_night AND has_volt) AS vd_1v_n, sum(d_l2_w * d_vdiff_v) FILTER (is_night AND has_volt) AS vd_2v_n,
  sum(d_vdiff_v * d_vdiff_v) FILTER (is_night AND has_volt) AS vd_vv_n,
  count_if(NOT is_night AND has_volt) AS vd_n_d,
  sum(d_l1_w * d_l1_w) FILTER (NOT is_night AND has_volt) AS vd_11_d,
  sum(d_l2_w * d_l2_w) FILTER (NOT is_night AND has_volt) AS vd_22_d,
  sum(d_l1_w * d_l2_w) FILTER (NOT is_night AND has_volt) AS vd_12_d,
  sum(d_l1_w * d_vdiff_v) FILTER (NOT is_night AND has_volt) AS vd_1v_d, sum(d_l2_w * d_vdiff_v) FILTER (NOT is_night AND has_volt) AS vd_2v_d,
  sum(d_vdiff_v * d_vdiff_v) FILTER (NOT is_night AND has_volt) AS vd_vv_d,
  sum(d_probe_w * d_probe_w) FILTER (NOT is_night AND has_volt) AS vd_pp_d,
  sum(d_l1_w * d_probe_w) FILTER (NOT is_night AND has_volt) AS vd_1p_d,
  sum(d_l2_w * d_probe_w) FILTER (NOT is_night AND has_volt) AS vd_2p_d,
  sum(d_probe_w * d_vdiff_v) FILTER (NOT is_night AND has_volt) AS vd_pv_d,
  sum(d_l1_w * d_vmean_v) FILTER (is_night) AS vm_1m_n, sum(d_l2_w * d_vmean_v) FILTER (is_night) AS vm_2m_n,
  sum(d_l1_w * d_vmean_v) FILTER (NOT is_night) AS vm_1m_d, sum(d_l2_w * d_vmean_v) FILTER (NOT is_night) AS vm_2m_d,
  sum(d_probe_w * d_vmean_v) FILTER (NOT is_night) AS vm_pm_d,
  sum(d_vmean_v * d_vmean_v) FILTER (is_night) AS vm_mm_n, sum(d_vmean_v * d_vmean_v) FILTER (NOT is_night) AS vm_mm_d,
  sum(d_vdiff_v * d_vmean_v) FILTER (is_night) AS vm_vm_n, sum(d_vdiff_v * d_vmean_v) FILTER (NOT is_night) AS vm_vm_d,
  count_if(is_night AND is_active) AS n_active_n, count_if(NOT is_night AND is_active) AS n_active_d,
  count_if(is_night AND is_active AND is_equal) AS n_equal_n,
  count_if(NOT is_night AND is_active AND is_equal) AS n_equal_d,
  count_if(is_night AND is_active AND is_mirror) AS n_mirror_n,
  count_if(NOT is_night AND is_active AND is_mirror) AS n_mirror_d,
  count_if(is_pair) AS n_pair, count_if(is_pair AND d_l1_w * d_l2_w > 0) AS n_pair_same,
  count_if(is_pair AND d_l1_w * d_l2_w < 0) AS n_pair_opposite,
  quantile_cont(ln(abs(d_l2_w / d_l1_w)), 0.5) FILTER (is_pair) AS pair_log_ratio,
  count_if(is_leak_l1) AS n_leak_l1, count_if(is_leak_l2) AS n_leak_l2,
  quantile_cont(d_l1_w / d_l2_w, 0.5) FILTER (is_leak_l1) AS leak_l1,
  quantile_cont(d_l2_w / d_l1_w, 0.5) FILTER (is_leak_l2) AS leak_l2,
  CASE WHEN count_if(is_leak_l1) > 0 THEN greatest(quantile_cont(d_l1_w / d_l2_w, 0.25) FILTER (is_leak_l1), 0)
    + least(quantile_cont(d_l1_w / d_l2_w, 0.75) FILTER (is_leak_l1), 0) END AS leak_least_l1,
  CASE WHEN count_if(is_leak_l2) > 0 THEN greatest(quantile_cont(d_l2_w / d_l1_w, 0.25) FILTER (is_leak_l2), 0)
    + least(quantile_cont(d_l2_w / d_l1_w, 0.75) FILTER (is_leak_l2), 0) END AS leak_least_l2,
  count_if(l1_w * before_l1_w < 0 AND abs(l1_w + before_l1_w) < $glitch_share * abs(l1_w) AND abs(l1_w) > $drop_w)
    AS n_glitch_l1,
  count_if(l2_w * before_l2_w < 0 AND abs(l2_w + before_l2_w) < $glitch_share * abs(l2_w) AND abs(l2_w) > $drop_w)
    AS n_glitch_l2
FROM kind
GROUP BY site_key
