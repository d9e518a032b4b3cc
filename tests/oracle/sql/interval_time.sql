-- interval_time: one row a distinct start and length of the day's intervals.
-- The sun is worked out once for each of these, at the minute in which the interval begins, and joined to the homes.
--   interval_start [UTC]  minute in which the interval begins
--   length_min     [min]  its length; the sun is taken at its middle
SELECT date_trunc('minute', interval_start) AS interval_start, length_min
FROM interval_length
GROUP BY ALL
