-- site_hour_listed: one row a listed home and UTC hour of the window.
-- The hourly means that the report draws. Homes told as a parameter leave the files' other row groups unread.
--   site_id [-], hour_start [UTC], l1_w, l2_w, pv_w [W] means; l3_w where a file of the window has a third line
SELECT COLUMNS('^(site_id|hour_start|l1_w|l2_w|pv_w|l3_w)$')
FROM read_parquet($hour_files, union_by_name = true) h
WHERE h.site_id IN $homes
ORDER BY h.site_id, h.hour_start
