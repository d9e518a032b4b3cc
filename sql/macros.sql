-- Small functions that the tables share; run once a connection.

-- NaN and infinity (DuckDB's corr and regr_* give them on constants) as null.
CREATE OR REPLACE MACRO finite(x) AS CASE WHEN isfinite(x::DOUBLE) THEN x::DOUBLE END;
