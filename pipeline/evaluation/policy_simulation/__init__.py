"""A rehearsal: a simulated half year of nights and mornings, so that what the list is worth can be measured exactly."""
