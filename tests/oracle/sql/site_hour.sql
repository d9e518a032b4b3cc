-- site_hour: one row a home and UTC hour.
-- Hourly means for the pictures, so that drawing a home never reads raw intervals again.
--   site_id    [-]    home
--   hour_start [UTC]  start of the hour
--   l1_w, l2_w, pv_w, battery_w [W] means
--   minutes    [min]  of the hour that every channel with a reading in it has
SELECT s.site_id, date_trunc('hour', i.interval_start) AS hour_start,
  avg(i.l1_w)::FLOAT AS l1_w, avg(i.l2_w)::FLOAT AS l2_w, avg(i.pv_w)::FLOAT AS pv_w,
  avg(i.battery_w)::FLOAT AS battery_w,
  (coalesce(least(nullif(count(i.l1_w), 0), nullif(count(i.l2_w), 0), nullif(count(i.pv_w), 0), nullif(count(i.battery_w), 0)), 0)
    * any_value(i.length_min))::SMALLINT AS minutes
FROM interval_length i
JOIN site_sky s USING (site_key)
GROUP BY ALL
ORDER BY ALL
