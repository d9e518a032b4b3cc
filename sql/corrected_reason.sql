-- corrected_reason: one row a home, episode, UTC day, method and reason.
-- How many readings were put right exactly, estimated, left as reported or left empty, and why.
--   site_id [-], from_on [date]      home, and first day of its episode
--   day [date]
--   method, reason [-]
--   n_rows [rows]
SELECT c.site_id, e.from_on, c.interval_start::DATE AS day, c.method, c.reason, count(*) AS n_rows
FROM read_parquet($corrected_files, hive_partitioning = false) c
JOIN episode e ON e.site_id = c.site_id
  AND c.interval_start::DATE BETWEEN e.from_on AND coalesce(e.to_on, c.interval_start::DATE)
GROUP BY ALL
ORDER BY ALL
