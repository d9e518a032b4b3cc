-- site_window_fit: one row a home and system.
-- Least squares through the origin on leg 1, leg 2 and the probe, from sums of squares and products, by Cramer's rule:
-- `sag` fits V1 - V2 [V], `meter` the utility meter's net power [W]
-- (the probe then counts a battery only where it lies behind the CTs). A regressor that isn't there gets a ridge of 1 W2; an absent leg 2 is null.
--   site_id [-]     home
--   system  [-]     sag or meter
--   b1, b2, b3 [V/W, W/W] coefficients on l1, l2 and the probe
--   se1, se2, se3 [V/W, W/W] their standard errors
--   apart   [0..1]  determinant over the product of the diagonal: 0 where the regressors can't be told apart
--   r2      [0..1]  share of the squares explained
WITH normal AS (
  SELECT site_id, 'sag' AS system,
    vd_11_n + coalesce(vd_11_d, 0) AS a, vd_12_n + coalesce(vd_12_d, 0) AS b, vd_1p_d AS c,
    vd_22_n + coalesce(vd_22_d, 0) AS d, vd_2p_d AS e, vd_pp_d AS f,
    vd_1v_n + coalesce(vd_1v_d, 0) AS y1, vd_2v_n + coalesce(vd_2v_d, 0) AS y2, vd_pv_d AS y3,
    vd_vv_n + coalesce(vd_vv_d, 0) AS yy, vd_n_n + coalesce(vd_n_d, 0) AS n
  FROM site_window
  UNION ALL
  SELECT site_id, 'meter', nm_11, nm_12, nm_1p + side * nm_1b, nm_22, nm_2p + side * nm_2b,
    nm_pp + side * (2 * nm_pb + nm_bb), nm_n1, nm_n2, nm_np + side * nm_nb, nm_nn, nm_n
  FROM site_window
  JOIN (SELECT site_id, CASE WHEN is_declared_upstream THEN 0 ELSE 1 END AS side FROM site_fact) USING (site_id)
), ridged AS (
  SELECT site_id, system, a + 1 AS a, coalesce(b, 0) AS b, coalesce(c, 0) AS c, coalesce(d, 0) + 1 AS d,
    coalesce(e, 0) AS e, coalesce(f, 0) + 1 AS f, y1, coalesce(y2, 0) AS y2, coalesce(y3, 0) AS y3, yy, n
  FROM normal
  WHERE n > 10 AND yy > 0 AND a IS NOT NULL AND y1 IS NOT NULL
), adjugate AS (
  SELECT *, d * f - e * e AS i11, c * e - b * f AS i12, b * e - c * d AS i13,
    a * f - c * c AS i22, b * c - a * e AS i23, a * d - b * b AS i33
  FROM ridged
), solved AS (
  SELECT *, nullif(greatest(a * i11 + b * i12 + c * i13, 0), 0) AS det,
    (i11 * y1 + i12 * y2 + i13 * y3) / det AS b1, (i12 * y1 + i22 * y2 + i23 * y3) / det AS b2,
    (i13 * y1 + i23 * y2 + i33 * y3) / det AS b3,
    greatest(yy - b1 * y1 - b2 * y2 - b3 * y3, 0) AS left_over
  FROM adjugate
)
SELECT site_id, system, finite(b1) AS b1, CASE WHEN d > 1 THEN finite(b2) END AS b2, finite(b3) AS b3,
  finite(sqrt(greatest(left_over / (n - 3) * i11 / det, 0))) AS se1,
  CASE WHEN d > 1 THEN finite(sqrt(greatest(left_over / (n - 3) * i22 / det, 0))) END AS se2,
  finite(sqrt(greatest(left_over / (n - 3) * i33 / det, 0))) AS se3,
  finite(det / (a * d * f)) AS apart, finite(1 - left_over / yy) AS r2
FROM solved
