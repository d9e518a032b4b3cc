-- Small functions that the tables share; run once a connection.

-- NaN and infinity (DuckDB's corr and regr_* give them on constants) as null.
CREATE OR REPLACE MACRO finite(x) AS CASE WHEN isfinite(x::DOUBLE) THEN x::DOUBLE END;

-- Sum of the values that are there, null where none is.
CREATE OR REPLACE MACRO sum_of_given(a, b, c) AS
  CASE WHEN coalesce(a, b, c) IS NOT NULL THEN coalesce(a, 0) + coalesce(b, 0) + coalesce(c, 0) END;

-- Sine of the sun's elevation [1], before refraction, at a site: latitude north and longitude east positive,
-- the last three from sun_time. Spherical triangle pole, zenith, sun.
CREATE OR REPLACE MACRO sun_sin_elevation(sin_lat, cos_lat, lon_rad, sin_decl, cos_decl, gha_rad) AS
    sin_lat * sin_decl + cos_lat * cos_decl * cos(gha_rad + lon_rad);

-- Pearson's correlation from count, sums, squares and products; null on a constant.
CREATE OR REPLACE MACRO correlation(n, x, y, xx, yy, xy) AS
  finite((xy - x * y / nullif(n, 0)) / sqrt(nullif(greatest(xx - x * x / n, 0) * greatest(yy - y * y / n, 0), 0)));

-- Slope of the line that is nearest to the points at right angles, through the origin, from squares and products.
CREATE OR REPLACE MACRO orthogonal_slope(xx, yy, xy) AS
  finite((yy - xx + sqrt(pow(yy - xx, 2) + 4 * xy * xy)) / nullif(2 * xy, 0));
