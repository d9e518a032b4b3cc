"""The words people read for the codes that files hold: one place for pages, paper, commands and pictures.

Faults have theirs in their own modules (`Fault.title`).
"""

from __future__ import annotations

from typing import Final

from pipeline.core import services

FIX_BY: Final = {"visit": "site visit", "office": "remote fix"}
ATTEMPTS: Final = {"truck": "truck visit", "desk": "remote fix"}
LEGS: Final = {
    "l1": "L1", "l2": "L2", "both": "both legs", "l3": "L3", "l1+l2": "L1 and L2", "l1+l3": "L1 and L3",
    "l2+l3": "L2 and L3", "l1+l2+l3": "all three lines",
}  # fmt: skip
LOCATIONS: Final = {
    "service_entrance": "service entrance", "bus_bar": "bus bar", "feeder": "feeder",
    "load_conductors": "load conductors",
}  # fmt: skip
# Which lines production feeds, where the site record says it of a home with three.
PV_ON: Final = {"all": "all lines", **{on: LEGS[on] for on in ("l1", "l2", "l3", "l1+l2", "l1+l3", "l2+l3")}}
SERVICES: Final = {name: service.title for name, service in services.SERVICES.items()}
POSITIONS: Final = {True: "upstream of the solar tie-in", False: "around the loads only"}
# What an unproven home needs before the data can say either way: short name, and what to do about it.
UNPROVEN_NEEDS: Final = {
    "nights": ("more nights", "Wait: each night of data brings it nearer."),
    "meter": (
        "a utility meter",
        "Ask for the utility meter's data, of past months too: no number of nights settles it without.",
    ),
    "sun": ("a sunny day", "Wait for a day on which production rises and falls."),
    "record": ("a look at the site record", "Check the site record, from the office: no truck."),
    "readings": ("readings", "Find out why the home sends no readings: monitor, network, account."),
    "visit": ("a visit", "Only a look on site settles it; it goes on the list where going pays."),
}
