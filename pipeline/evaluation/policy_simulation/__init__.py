"""A simulated half year of nights and mornings under several policies, so that the list's worth is measured exactly."""
