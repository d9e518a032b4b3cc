-- corrected_reason: one row a home, episode, method and reason.
-- How long readings were put right exactly, estimated, left as reported or left empty, and why.
--   site_id [-], from_on [date]      home, and first day of its episode
--   method, reason [-]
--   n_rows [rows]
--   share [1]                        of the episode's rows
WITH counted AS (
  SELECT c.site_id, e.from_on, c.method, c.reason, count(*) AS n_rows
  FROM read_parquet($corrected_files, hive_partitioning = false) c
  JOIN episode e ON e.site_id = c.site_id
    AND c.interval_start::DATE BETWEEN e.from_on AND coalesce(e.to_on, c.interval_start::DATE)
  GROUP BY ALL
)
SELECT *, n_rows / sum(n_rows) OVER (PARTITION BY site_id, from_on) AS share FROM counted
ORDER BY site_id, from_on, method, reason
