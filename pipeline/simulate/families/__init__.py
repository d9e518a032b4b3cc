"""Fleets of families unlike each other: other loads, sun, services and loggers, the same physics of CTs.

In: an `UnlikeSpec` (size, window, seed, family). Out: a lake in contract format with truth.csv beside it, written by
`fleet.write_unlike_lake`. Families: `crest` (CREST loads, pvlib arrays, OpenDSS streets), `weather` (loads that follow
weather and sun, unequal reactive services), `measured` (measured circuits and a measured array, dealt anew by days).
What trains and what validates the classifier is drawn here. Open `spec.py` first, then `build.py`.

>>> from pipeline.simulate.families.draw import draw_fleet
>>> from pipeline.simulate.families.spec import UnlikeSpec
>>> sum(len(street) for street in draw_fleet(UnlikeSpec(sites=12, family="weather")))
12
"""
