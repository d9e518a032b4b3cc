"""Invented homes: loads, sun, circuits, faults and loggers, for training, tests and the sample lake."""
