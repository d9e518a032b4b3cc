"""Whether the numbers about crews hold: the night's estimates on fleets whose crews' error rates are known."""
