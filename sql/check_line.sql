-- check_line: one row a home with a usable row on one UTC day.
-- Which channels a home has, to be held against the lines of its service.
--   site_id [-]    home
--   has_l2, has_l3 [bool] any reading of that channel
--   is_l3_alive    [bool] any reading of it but zero
SELECT site_id, count(l2_w) > 0 AS has_l2, count(l3_w) > 0 AS has_l3, coalesce(bool_or(l3_w <> 0), false) AS is_l3_alive
FROM interval_used
GROUP BY site_id
ORDER BY site_id
