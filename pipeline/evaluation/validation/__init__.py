"""How good a first night is on fleets of `families` and on real homes: scored, measured, the limit beside."""
