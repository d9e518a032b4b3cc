-- Small functions that the tables share; run once a connection.

-- NaN and infinity (DuckDB's corr and regr_* give them on constants) as null.
CREATE OR REPLACE MACRO finite(x) AS CASE WHEN isfinite(x::DOUBLE) THEN x::DOUBLE END;

-- Sine of the sun's elevation [1], before refraction, at a site: latitude north and longitude east positive,
-- the last three from sun_time. Spherical triangle pole, zenith, sun.
CREATE OR REPLACE MACRO sun_sin_elevation(sin_lat, cos_lat, lon_rad, sin_decl, cos_decl, gha_rad) AS
    sin_lat * sin_decl + cos_lat * cos_decl * cos(gha_rad + lon_rad);

-- Least squares through the origin on up to three regressors, from sums of squares and products (W2), by Cramer's
-- rule: b1, b2, b3 and the diagonal of the inverse, which times the residual variance is each coefficient's own.
-- Null where the regressors can't be told apart. A regressor that isn't there has zeroes and gets a ridge of 1 W2.
CREATE OR REPLACE MACRO three_slopes(a11, a12, a13, a22, a23, a33, y1, y2, y3) AS (
  SELECT {
    'b1': (m.i11 * m.y1 + m.i12 * m.y2 + m.i13 * m.y3) / m.det,
    'b2': (m.i12 * m.y1 + m.i22 * m.y2 + m.i23 * m.y3) / m.det,
    'b3': (m.i13 * m.y1 + m.i23 * m.y2 + m.i33 * m.y3) / m.det,
    'v1': m.i11 / m.det, 'v2': m.i22 / m.det, 'v3': m.i33 / m.det,
    'apart': m.det / nullif(m.a * m.d * m.f, 0)
  }
  FROM (SELECT *, nullif(greatest(a * i11 + b * i12 + c * i13, 0), 0) AS det
        FROM (SELECT *, d * f - e * e AS i11, c * e - b * f AS i12, b * e - c * d AS i13,
                a * f - c * c AS i22, b * c - a * e AS i23, a * d - b * b AS i33
              FROM (SELECT a11 + 1 AS a, coalesce(a12, 0) AS b, coalesce(a13, 0) AS c, coalesce(a22, 0) + 1 AS d,
                      coalesce(a23, 0) AS e, coalesce(a33, 0) + 1 AS f, y1, coalesce(y2, 0) AS y2,
                      coalesce(y3, 0) AS y3))) m
);

-- Pearson's correlation from count, sums, squares and products; null on a constant.
CREATE OR REPLACE MACRO correlation(n, x, y, xx, yy, xy) AS
  finite((xy - x * y / nullif(n, 0)) / sqrt(nullif(greatest(xx - x * x / n, 0) * greatest(yy - y * y / n, 0), 0)));

-- Slope of the line that is nearest to the points at right angles, through the origin, from squares and products.
CREATE OR REPLACE MACRO orthogonal_slope(xx, yy, xy) AS
  finite((yy - xx + sqrt(pow(yy - xx, 2) + 4 * xy * xy)) / nullif(2 * xy, 0));
