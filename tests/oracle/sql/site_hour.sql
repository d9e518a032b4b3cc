-- site_hour: one row a home and UTC hour.
-- Hourly means for the pictures, so that drawing a home never reads raw intervals again.
--   site_id    [-]    home
--   hour_start [UTC]  start of the hour
--   l1_w, l2_w, pv_w [W] means
SELECT s.site_id, date_trunc('hour', i.interval_start) AS hour_start,
  avg(i.l1_w)::FLOAT AS l1_w, avg(i.l2_w)::FLOAT AS l2_w, avg(i.pv_w)::FLOAT AS pv_w
FROM interval_length i
JOIN site_sky s USING (site_key)
GROUP BY ALL
ORDER BY ALL
