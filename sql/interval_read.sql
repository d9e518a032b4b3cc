-- interval_read: one row a data row of one UTC day's files, as found.
-- Reads the files in place, gives absent columns as null and every time as UTC.
--   site_id        [-]    home, as the source says
--   interval_start [UTC]  start
--   l1_w, l2_w, l3_w, battery_w [W], l1_v, l2_v, l3_v [V], l1_var, l2_var, l3_var [var], import_wh, export_wh [Wh]
--                  as reported
--   pv_w           [W]    as reported, else the sum of what is reported by line
--   pv_l1_w, pv_l2_w, pv_l3_w [W] as reported
--   file_no        [-]    file, in the order of arrival, from 0
--   row_no         [-]    data row in the file, from 1
--   staged_reason  [text] why staging already refused the row, else null
--   staged_row     [text] the source's own row, for a refused one
-- A view, so that the rows stream into the checks; it takes its files, whether they have columns of a third line and
-- of production by line (else nothing is paid for them), and its range of homes (from first_home up
-- to before_home, null for no bound; a row without a home belongs to the first range) from variables.
SELECT
  site_id, interval_start::TIMESTAMP AS interval_start,
  l1_w, l2_w, if(getvariable('has_pv_by_line'), coalesce(pv_w, sum_of_given(pv_l1_w, pv_l2_w, pv_l3_w)), pv_w) AS pv_w,
  l1_v, l2_v, l1_var, l2_var, battery_w, import_wh, export_wh, l3_w, l3_v, l3_var, pv_l1_w, pv_l2_w, pv_l3_w,
  file_no, coalesce(_staged_no, file_row + 1) AS row_no,
  _staged_reason AS staged_reason, _staged_row AS staged_row
FROM (
  FROM interval_template
  UNION ALL BY NAME
  SELECT *, file_index::INTEGER AS file_no, file_row_number AS file_row
  FROM read_parquet(getvariable('interval_files'), hive_partitioning = false, union_by_name = true)
)
WHERE
  (getvariable('first_home') IS NULL OR site_id >= getvariable('first_home'))
  AND (
    getvariable('before_home') IS NULL
    OR site_id < getvariable('before_home')
    OR (site_id IS NULL AND getvariable('first_home') IS NULL)
  )
