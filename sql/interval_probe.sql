-- interval_probe: one row.
-- The largest value of each column of interval_read: reading every page is what finds a damaged file.
--   one column for each of interval_read, under its own name
SELECT max(COLUMNS(*)) AS '\0'
FROM interval_read
