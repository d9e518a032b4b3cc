"""Fleets unlike the training simulator: other load, sun, street and logger models, the same physics of clamps."""
