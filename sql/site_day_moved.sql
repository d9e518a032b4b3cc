-- site_day_moved: one row a home and stored day of those whose register facts are others today, or that left the register.
-- Such a day has to be worked out again.
--   day     [date] UTC day
--   site_id [-]    home
--   reason  [text] what moved
SELECT d.day, d.site_id,
  CASE WHEN s.site_id IS NULL THEN 'the home left the register' ELSE 'place, PV rating or service changed' END AS reason
FROM read_parquet($day_files) d
LEFT JOIN site_sky s USING (site_id)
WHERE s.register_key IS DISTINCT FROM d.register_key
