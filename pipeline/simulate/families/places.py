"""Where fleets of a family stand: in North America, or where lines have 230 V."""

from __future__ import annotations

from pipeline.simulate.families.spec import UnlikeSpec
from pipeline.simulate.service_draws import has_230_volts

PLACES = (
    ("harbour", "America/New_York", 41.3, -72.9, 17.0),
    ("ridge", "America/New_York", 35.6, -82.5, 19.0),
    ("lakes", "America/Chicago", 43.1, -89.4, 17.5),
    ("plains", "America/Chicago", 30.3, -97.7, 27.0),
    ("foothills", "America/Denver", 39.7, -105.2, 18.0),
    ("desert", "America/Phoenix", 33.5, -112.1, 32.0),
    ("coast", "America/Los_Angeles", 37.8, -122.3, 15.5),
    ("islands", "Pacific/Honolulu", 21.3, -157.9, 26.0),
)
PLACES_230_V = (
    ("valley", "Europe/Berlin", 48.3, 10.1, 18.0),
    ("fen", "Europe/Berlin", 53.1, 8.9, 16.5),
    ("bay", "Australia/Brisbane", -27.4, 152.9, 17.0),
    ("reef", "Australia/Brisbane", -21.1, 149.0, 20.5),
    ("cape", "Pacific/Auckland", -41.2, 174.9, 12.0),
    ("plateau", "Africa/Johannesburg", -26.1, 28.1, 13.0),
)
NO_SUMMER_TIME = {"America/Phoenix", "Pacific/Honolulu", "Australia/Brisbane", "Africa/Johannesburg"}


def places_of(spec: UnlikeSpec) -> tuple[tuple[str, str, float, float, float], ...]:
    """Return the fleet's places: name, time zone, latitude, longitude [deg], mean air [degrees C]."""
    return PLACES_230_V if has_230_volts(spec.service) else PLACES
