-- interval_time: one row a distinct start and length of the day's intervals.
-- The sun is worked out once for each of these and joined to the homes.
--   interval_start [UTC]  start of the interval
--   length_min     [min]  its length; the sun is taken at its middle
SELECT interval_start, length_min
FROM interval_length
GROUP BY ALL
