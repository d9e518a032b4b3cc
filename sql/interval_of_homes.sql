-- interval_of_homes: one row a data row of some homes in one UTC day's files, as found.
-- What interval_read has of the homes of wanted_home, whose place it takes: few homes don't cost the whole fleet.
--   and all of interval_read
-- The other homes' rows go before anything is made of them: a join above the casts took twice as long.
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
  SEMI JOIN wanted_home USING (site_id)
)
