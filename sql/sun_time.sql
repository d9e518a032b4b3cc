-- sun_time: one row a distinct start and length of interval_time.
-- Where the sun stands as seen from the middle of the Earth, at the middle of each interval: all that
-- does not depend on the site, so that a big table pays one cosine a row (macro sun_sin_elevation).
-- Mean elements, equation of centre, aberration and the largest nutation term: the low-accuracy method of
-- Meeus, Astronomical Algorithms, ch. 25 and 12; coefficients from memory, checked against pvlib's SPA.
--   interval_start  [UTC] start of the interval
--   length_min      [min] its length
--   sin_declination [1]   sine of the sun's apparent declination
--   cos_declination [1]   its cosine
--   greenwich_hour_angle_rad [rad] the sun's hour angle at longitude 0, positive after noon, not reduced to a turn
WITH moment AS (
    SELECT
        interval_start,
        length_min,
        -- days and Julian centuries since 2000-01-01 12:00; the minute between UTC and dynamical time is 0.001 deg
        (epoch(interval_start) + 30 * length_min) / 86400 - 10957.5 AS days,
        days / 36525 AS centuries
    FROM interval_time
),

orbit AS (
    SELECT
        interval_start,
        length_min,
        days,
        280.46646 + 36000.76983 * centuries AS mean_longitude_deg,
        radians(357.52911 + 35999.05029 * centuries) AS mean_anomaly_rad,
        1.914602 - 0.004817 * centuries AS first_term_deg,
        23.439291 - 0.013004 * centuries AS mean_obliquity_deg,
        radians(125.04 - 1934.136 * centuries) AS moon_node_rad,
        -0.00478 * sin(moon_node_rad) AS nutation_deg
    FROM moment
),

ecliptic AS (
    SELECT
        interval_start,
        length_min,
        radians(
            mean_longitude_deg
            + first_term_deg * sin(mean_anomaly_rad)
            + 0.019993 * sin(2 * mean_anomaly_rad)
            + 0.000289 * sin(3 * mean_anomaly_rad)
            + nutation_deg - 0.00569
        ) AS longitude_rad,
        radians(mean_obliquity_deg + 0.00256 * cos(moon_node_rad)) AS obliquity_rad,
        radians(280.46061837 + 360.98564736629 * days + nutation_deg * cos(obliquity_rad)) AS sidereal_rad
    FROM orbit
)

SELECT
    interval_start,
    length_min,
    sin(obliquity_rad) * sin(longitude_rad) AS sin_declination,
    sqrt(1 - sin_declination * sin_declination) AS cos_declination,
    sidereal_rad - atan2(cos(obliquity_rad) * sin(longitude_rad), cos(longitude_rad))
        AS greenwich_hour_angle_rad
FROM ecliptic
