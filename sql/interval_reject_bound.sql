-- interval_reject_bound: one row a piece of interval_reject, of $rows_at_once rows; what is left over makes another piece.
-- Where to cut the rejects, so that no more of their text is held at once.
--   arrival [-] of the last row of the piece: file and row in one whole number
SELECT arrival
FROM interval_checked
WHERE reason IS NOT NULL
QUALIFY row_number() OVER (ORDER BY arrival) % $rows_at_once = 0
ORDER BY arrival
