-- check_voltage: one row a home and leg that reported volts on one UTC day.
-- The middle of the day's volts, to be held against what services have.
--   site_id [-]    home
--   service [-]    what the utility brings, null where the register doesn't say
--   leg     [-]    l1, l2 or l3
--   volts   [V]    median
SELECT u.site_id, any_value(s.service) AS service, 'l1' AS leg, median(u.l1_v) AS volts
FROM interval_used u
JOIN site_register s USING (site_id)
GROUP BY u.site_id
HAVING count(u.l1_v) > 0
UNION ALL
SELECT u.site_id, any_value(s.service), 'l2', median(u.l2_v)
FROM interval_used u
JOIN site_register s USING (site_id)
GROUP BY u.site_id
HAVING count(u.l2_v) > 0
UNION ALL
SELECT u.site_id, any_value(s.service), 'l3', median(u.l3_v)
FROM interval_used u
JOIN site_register s USING (site_id)
GROUP BY u.site_id
HAVING count(u.l3_v) > 0
ORDER BY leg, site_id
