-- check_hour: one row an hour of one UTC day in which any home has a usable row.
-- Which hours a lake has at all: the same ones missing every day are a clock's, not the homes'.
--   hour_no [-]    hour of the day, UTC
SELECT DISTINCT hour(interval_start) AS hour_no
FROM interval_used
ORDER BY hour_no
