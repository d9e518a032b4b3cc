-- interval_count: one row for the day.
-- What came in and what became of it; rows_in is used + duplicate + rejected.
--   rows_in    [-] data rows of the files that could be read
--   used       [-] rows of interval_used
--   duplicate  [-] good rows that the same or a later row replaced
--   rejected   [-] rows with a reason
SELECT
  (SELECT count(*) FROM interval_read) AS rows_in,
  (SELECT count(*) FROM interval_used) AS used,
  (SELECT count(*) - count(DISTINCT key_us) FROM interval_checked WHERE reason IS NULL) AS duplicate,
  (SELECT count(*) FROM interval_checked WHERE reason IS NOT NULL) AS rejected
