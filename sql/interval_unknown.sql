-- interval_unknown: one row a home of one UTC day's rows that no register knows.
-- Days with such a home are worked out again when the register knows it.
--   site_id [-] home, as the source says
SELECT DISTINCT site_id
FROM interval_checked
WHERE starts_with(reason, 'unknown home')
ORDER BY site_id
