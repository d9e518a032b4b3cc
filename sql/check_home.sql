-- check_home: one row a home and complaint about its rows of one UTC day.
-- What a lake's owner should look at although no row is wrong.
--   site_id [-]    home
--   kind    [-]    absent, length, second length, grid or gap
--   reason  [text] what is odd, in words
WITH home AS (
  SELECT site_id
  FROM site_register
  WHERE (commissioned_on IS NULL OR commissioned_on <= $day::DATE)
    AND (getvariable('first_home') IS NULL OR site_id >= getvariable('first_home'))
    AND (getvariable('before_home') IS NULL OR site_id < getvariable('before_home'))
), step AS (
  SELECT site_id, interval_start,
    date_diff('second', lag(interval_start) OVER by_home, interval_start) / 60.0 AS step_min
  FROM interval_used
  WINDOW by_home AS (PARTITION BY site_id ORDER BY interval_start)
), step_count AS (
  SELECT site_id, step_min, count(*) AS n_step
  FROM step
  WHERE step_min IS NOT NULL
  GROUP BY ALL
), length AS (
  SELECT site_id, arg_max(step_min, n_step) AS length_min, sum(n_step) AS n_step
  FROM step_count
  GROUP BY site_id
), second_length AS (
  SELECT c.site_id, any_value(l.length_min) AS length_min, arg_max(c.step_min, c.n_step) AS second_min,
    max(c.n_step / l.n_step) AS share
  FROM step_count c
  JOIN length l USING (site_id)
  WHERE c.step_min <> l.length_min AND list_contains($interval_minutes, c.step_min)
  GROUP BY c.site_id
), filled AS (
  SELECT s.site_id, any_value(l.length_min) AS length_min, count(*) AS n_row,
    count(*) FILTER (epoch(s.interval_start) % (60 * l.length_min) <> 0) AS n_off
  FROM step s
  JOIN length l USING (site_id)
  GROUP BY s.site_id
)
SELECT site_id, 'absent' AS kind, 'no usable row' AS reason
FROM home
ANTI JOIN interval_used USING (site_id)
UNION ALL
SELECT site_id, 'length', format('intervals of {:.6g} min', length_min)
FROM length
WHERE NOT list_contains($interval_minutes, length_min)
UNION ALL
SELECT site_id, 'second length',
  format('intervals of {:.6g} min and of {:.6g} min ({:.0f} % of steps)', length_min, second_min, 100 * share)
FROM second_length
WHERE share > $second_length_share
UNION ALL
SELECT site_id, 'grid', format('{} of {} starts are not on whole intervals of {:.6g} min', n_off, n_row, length_min)
FROM filled
WHERE n_off > 0
UNION ALL
SELECT site_id, 'gap', format('{:.1f} % of the intervals are missing', 100 - n_row * length_min / 14.4)
FROM filled
WHERE 1 - n_row * length_min / 1440 > $gap_share
ORDER BY kind, site_id
