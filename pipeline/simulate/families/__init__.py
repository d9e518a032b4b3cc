"""Fleets of families unlike each other: other loads, sun, services and loggers, the same physics of CTs.

In: an `UnlikeSpec` (size, window, seed, family). Out: a lake in contract format with truth.csv beside it, written by
`fleet.write_unlike_lake`. Families: `crest` (CREST loads, pvlib arrays, OpenDSS streets), `weather` (loads that follow
weather and sun, unequal reactive services), `measured` (measured circuits and a measured array, dealt anew by days).
What trains and what proves the classifier is drawn here; open `build.py` first.
"""
