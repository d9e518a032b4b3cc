-- site_day_meter: one row a home of one UTC day, of homes with a utility meter's reading.
-- Squares and products of first differences with the utility meter's net power, and the energies to compare.
--   site_key [-]   home
--   nm_n [rows]    steps with a meter reading and every channel that the home reports
--   nm_nn, nm_n1, nm_n2, nm_np, nm_nb [W2]  meter with itself, the legs, PV and battery
--   nm_11, nm_22, nm_12, nm_1p, nm_2p, nm_pp, nm_1b, nm_2b, nm_pb, nm_bb [W2] legs, PV and battery on the same rows
--   ne_n [rows]    rows with every reading
--   ne_net, ne_l1, ne_l2, ne_pv, ne_battery [W sum] levels on these
WITH channel AS (
  SELECT site_key, count(l2_w) > 0 AS has_l2, count(pv_w) > 0 AS has_pv
  FROM interval_step
  GROUP BY site_key
), metered AS (
  SELECT i.*, is_step AND d_net_w IS NOT NULL AND d_l1_w IS NOT NULL AND (d_l2_w IS NOT NULL OR NOT has_l2)
    AND (d_pv_w IS NOT NULL OR is_night OR NOT has_pv) AS is_whole
  FROM interval_step i
  JOIN channel USING (site_key)
  WHERE net_w IS NOT NULL AND l1_w IS NOT NULL
)
SELECT
  site_key,
  count(d_net_w) FILTER (is_whole) AS nm_n,
  sum(d_net_w * d_net_w) FILTER (is_whole) AS nm_nn,
  sum(d_net_w * d_l1_w) FILTER (is_whole) AS nm_n1, sum(d_net_w * coalesce(d_l2_w, 0)) FILTER (is_whole) AS nm_n2,
  sum(d_net_w * d_pv_w) FILTER (is_whole) AS nm_np, sum(d_net_w * d_battery_w) FILTER (is_whole) AS nm_nb,
  sum(d_l1_w * d_l1_w) FILTER (is_whole) AS nm_11, sum(coalesce(d_l2_w * d_l2_w, 0)) FILTER (is_whole) AS nm_22,
  sum(coalesce(d_l1_w * d_l2_w, 0)) FILTER (is_whole) AS nm_12,
  sum(d_l1_w * d_pv_w) FILTER (is_whole) AS nm_1p, sum(coalesce(d_l2_w * d_pv_w, 0)) FILTER (is_whole) AS nm_2p,
  sum(d_pv_w * d_pv_w) FILTER (is_whole) AS nm_pp,
  sum(d_l1_w * d_battery_w) FILTER (is_whole) AS nm_1b, sum(coalesce(d_l2_w * d_battery_w, 0)) FILTER (is_whole) AS nm_2b,
  sum(d_pv_w * d_battery_w) FILTER (is_whole) AS nm_pb, sum(d_battery_w * d_battery_w) FILTER (is_whole) AS nm_bb,
  count(net_w) AS ne_n, sum(net_w) AS ne_net, sum(l1_w) AS ne_l1, sum(l2_w) AS ne_l2,
  sum(coalesce(pv_w, 0)) AS ne_pv, sum(coalesce(battery_w, 0)) AS ne_battery
FROM metered
GROUP BY site_key
