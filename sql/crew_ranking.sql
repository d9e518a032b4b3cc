-- crew_ranking: one row a crew with enough judged installs to be ranked.
-- The order of the crews by their fair rate, the lowest first, with how sure it is.
--   rank [-]                             1 is the lowest fair rate
--   crew_id, crew_name [-]
--   judged [homes]
--   fair_rate, fair_low, fair_high [0..1] on the fleet's average installs, small-sample adjusted, 95 %
--   is_like_fleet [-]                    the interval holds the fleet's rate: the place says little
--   stands_out [-]                       worse, better or null, many crews allowed for
SELECT
  rank, crew_id, crew_name, judged, fair_rate, fair_low, fair_high,
  fleet_rate BETWEEN fair_low AND fair_high AS is_like_fleet, stands_out
FROM crew_quality
WHERE is_ranked
ORDER BY rank
