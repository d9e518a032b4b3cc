-- interval_of_homes: one row a data row of some homes in one UTC day's files, as found.
-- What interval_read has of the homes of wanted_home.
--   and all of interval_read
-- It takes the place of interval_read, which is interval_all then: what few homes need doesn't cost the whole fleet.
FROM interval_all
SEMI JOIN wanted_home USING (site_id)
