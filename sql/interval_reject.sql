-- interval_reject: one row a data row that was not used, in order of arrival, after the files that could not be read.
-- What to show whoever sends the data.
--   source_file [-]    file, from the lake's folder
--   source_row  [-]    data row in the file, from 1; null for a whole file
--   reason      [text] why, with the home's own limit where one was passed
--   row         [text] the row as JSON: the source's own where staging refused it, else the contract's columns
-- What only homes with three lines have stands in the JSON where it is given: a merge leaves out nulls.
SELECT source_file, source_row, reason, row
FROM (
  SELECT place AS arrival, source_file, source_row, reason, row
  FROM interval_unread
  UNION ALL
  SELECT
    arrival,
    source_file,
    row_no,
    CASE
      WHEN reason LIKE '%service can carry' THEN format('{}: |W| above {:.0f}', reason, leg_max_w)
      WHEN reason LIKE '%array can give' THEN format('{}: |W| above {:.0f}', reason, pv_max_w)
      ELSE reason
    END,
    coalesce(staged_row, json_merge_patch(to_json({
      'site_id': site_id, 'interval_start': interval_start::VARCHAR,
      'l1_w': l1_w::VARCHAR, 'l2_w': l2_w::VARCHAR, 'pv_w': pv_w::VARCHAR, 'l1_v': l1_v::VARCHAR,
      'l2_v': l2_v::VARCHAR, 'l1_var': l1_var::VARCHAR, 'l2_var': l2_var::VARCHAR,
      'battery_w': battery_w::VARCHAR, 'import_wh': import_wh::VARCHAR, 'export_wh': export_wh::VARCHAR
    }), to_json({
      'l3_w': l3_w::VARCHAR, 'l3_v': l3_v::VARCHAR, 'l3_var': l3_var::VARCHAR,
      'pv_l1_w': pv_l1_w::VARCHAR, 'pv_l2_w': pv_l2_w::VARCHAR, 'pv_l3_w': pv_l3_w::VARCHAR
    }))::VARCHAR)
  FROM interval_checked
  JOIN interval_file USING (file_no)
  WHERE reason IS NOT NULL
)
ORDER BY source_row IS NOT NULL, arrival
