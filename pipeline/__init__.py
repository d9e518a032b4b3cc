"""nightclamp: finds CT install faults in the interval data of homes with solar."""

__version__ = "0.1.0"
