"""Do the numbers about crews hold? The night's estimates on fleets whose crews' error rates are known."""
