-- interval_probe: one row.
-- The largest value of each column of interval_read: reading every page is what finds a damaged file.
--   and all of interval_read: their largest values
SELECT max(COLUMNS(*)) AS '\0'
FROM interval_read
