-- rejects: one row a row that was not used, or a file that could not be read.
-- All of a night: the registers', then day by day the files that could not be read and the rows in order of arrival,
-- then those of the utility's files, file by file.
--   source_file [-]    file, from the lake's folder
--   source_row  [-]    data row in it, from 1; null for a whole file
--   reason      [text] why, in words
--   row         [text] the row itself, as JSON
-- arrived has the files of days that are cut into shards, which alone are out of order: by the row's place in the shard
-- come those of other days.
SELECT source_file, source_row, reason, row
FROM (
  SELECT '' AS day, place, 0 AS file_row_number, source_file, source_row, reason, row
  FROM register_reject
  UNION ALL
  SELECT CASE WHEN source_file LIKE 'utility/%' THEN '~' || source_file ELSE split_part(source_file, '/', 2) END, place, file_row_number, source_file, source_row, reason, row
  FROM read_parquet($reject_files, file_row_number = true)
  LEFT JOIN arrived USING (source_file)
)
ORDER BY
  day, day > '' AND source_row IS NOT NULL, place, CASE WHEN place IS NOT NULL THEN source_row END, file_row_number
