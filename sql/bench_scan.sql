-- bench_scan: one row.
-- The bare scan that the night is compared with: the sum of every number column of the same files.
--   n [rows] rows
--   sums [-] the sums added up, so that no column can be left unread
SELECT count(*) AS n,
  sum(l1_w) + sum(coalesce(l2_w, 0)) + sum(coalesce(pv_w, 0)) + sum(coalesce(l1_v, 0)) + sum(coalesce(l2_v, 0))
  + sum(coalesce(l1_var, 0)) + sum(coalesce(l2_var, 0)) + sum(coalesce(battery_w, 0))
  + sum(coalesce(import_wh, 0)) + sum(coalesce(export_wh, 0)) AS sums
FROM read_parquet($files)
