-- interval_home_count: one row a home with a row in one UTC day's files.
-- What came in of each home and what became of it, counted apart from interval_used.
--   site_id   [-]    home
--   rows_in   [rows] its data rows: used + duplicate + rejected
--   used      [rows] starts with a good row
--   duplicate [rows] good rows that the same or a later row replaced
--   rejected  [rows] rows with a reason
SELECT
  site_id,
  count(*) AS rows_in,
  count(DISTINCT interval_start) FILTER (reason IS NULL) AS used,
  count(*) FILTER (reason IS NULL) - count(DISTINCT interval_start) FILTER (reason IS NULL) AS duplicate,
  count(*) FILTER (reason IS NOT NULL) AS rejected
FROM interval_checked
GROUP BY site_id
ORDER BY site_id
