"""How good the likelihoods are on fleets of `families` and on real homes: scored, measured, the limit beside."""
