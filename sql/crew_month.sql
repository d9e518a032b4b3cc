-- crew_month: one row a crew and month of commissioning.
-- How many of a month's installs were wrong from the start, found by a visit or expected from their data.
--   crew_id [-], month [YYYY-MM]
--   installs, heard, visited [homes]     all; with data or a visit with a finding; with such a visit
--   confirmed_faults [homes]             a visit found a fault from commissioning
--   expected_faults [homes]              sum of the chances of those heard and not visited
--   rate [0..1]                          (confirmed + expected) / heard, null where none was heard
--   rate_low, rate_high [0..1]           its 95 % interval: Wilson's, of as many inspected homes as those heard are worth
WITH fleet AS (
  SELECT avg(chance) * (1 - avg(chance)) AS spread
  FROM crew_home
  WHERE is_heard
),

crew_months AS (
  SELECT
    crew_id, month,
    count(*) AS installs,
    count(*) FILTER (WHERE is_heard) AS heard,
    count(*) FILTER (WHERE is_visited) AS visited,
    count(*) FILTER (WHERE is_wrong) AS confirmed_faults,
    coalesce(sum(chance) FILTER (WHERE NOT is_visited), 0) AS expected_faults,
    sum(chance) / nullif(count(*) FILTER (WHERE is_heard), 0) AS rate,
    sum(chance * (1 - chance)) AS doubt
  FROM crew_home
  WHERE crew_id IS NOT NULL AND month IS NOT NULL
  GROUP BY crew_id, month
),

-- What is not known of a home takes as much from an inspected one's worth (Louis, JRSS B 44:226, 1982).
inspected AS (
  SELECT
    crew_months.*,
    CASE WHEN rate IS NOT NULL THEN greatest(heard - coalesce(doubt / nullif(spread, 0), 0), 0.05 * heard) END AS worth,
    1.959964 AS z
  FROM crew_months
  CROSS JOIN fleet
),

-- The interval's middle and half its width, both times 1 + z^2 / worth.
score AS (
  SELECT
    *,
    rate + z * z / (2 * worth) AS middle,
    z * sqrt(rate * (1 - rate) / worth + z * z / (4 * worth * worth)) AS half
  FROM inspected
)

SELECT
  crew_id, month, installs, heard, visited, confirmed_faults, expected_faults, rate,
  CASE WHEN heard > 0 THEN greatest(0, (middle - half) / (1 + z * z / worth)) END AS rate_low,
  CASE WHEN heard > 0 THEN least(1, (middle + half) / (1 + z * z / worth)) END AS rate_high
FROM score
ORDER BY crew_id, month
