-- crew_position: one row a CT position and fault.
-- Which faults installs at a position have from the start, over all crews; homes of no known position are "unknown".
--   ct_location [-], fault [-]
--   heard [homes]                        installs at the position with data or a visit with a finding
--   confirmed_faults, expected_faults [homes]
--   rate [0..1]                          (confirmed + expected) / heard
WITH position AS (
  SELECT coalesce(ct_location, 'unknown') AS ct_location, count(*) AS heard
  FROM crew_home
  WHERE is_heard
  GROUP BY 1
),

fault_at AS (
  SELECT
    coalesce(ct_location, 'unknown') AS ct_location, fault,
    sum(confirmed_faults) AS confirmed_faults, sum(expected_faults) AS expected_faults
  FROM crew_fault
  GROUP BY ALL
)

SELECT
  ct_location, fault, heard,
  CAST(confirmed_faults AS BIGINT) AS confirmed_faults, expected_faults,
  (confirmed_faults + expected_faults) / heard AS rate
FROM fault_at
JOIN position USING (ct_location)
ORDER BY ct_location, fault
