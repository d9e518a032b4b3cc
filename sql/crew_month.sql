-- crew_month: one row a crew and month of commissioning.
-- How many of a month's installs were wrong from the start, found by a visit or expected from their data.
--   crew_id [-], month [YYYY-MM]
--   installs, heard, visited [homes]     all; with data or a visit that told; with a visit that told
--   confirmed_faults [homes]             a visit found a fault from commissioning
--   expected_faults [homes]              sum of the chances of those heard and not visited
--   rate [0..1]                          (confirmed + expected) / heard, null where none was heard
SELECT
  crew_id, month,
  count(*) AS installs,
  count(*) FILTER (WHERE is_heard) AS heard,
  count(*) FILTER (WHERE is_visited) AS visited,
  count(*) FILTER (WHERE is_wrong) AS confirmed_faults,
  coalesce(sum(chance) FILTER (WHERE NOT is_visited), 0) AS expected_faults,
  sum(chance) / nullif(count(*) FILTER (WHERE is_heard), 0) AS rate
FROM crew_home
WHERE crew_id IS NOT NULL AND month IS NOT NULL
GROUP BY crew_id, month
ORDER BY crew_id, month
