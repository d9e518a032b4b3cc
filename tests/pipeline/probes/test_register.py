"""What the site record says, in plain words."""

from __future__ import annotations

from scored_homes import right_home

from pipeline.probes.register import REGISTER


def test_the_site_record_in_plain_words() -> None:
    assert (
        REGISTER.tell(right_home())
        == "site record: 120/240 V, CTs upstream of the solar tie-in, 1 CT per leg"
    )
    changed = {
        "is_declared_upstream": False, "service": "single", "cts_per_leg": 2.0, "lead_extended": True,
        "has_battery": True, "is_battery_hidden": True, "is_added_back": True,
    }  # fmt: skip
    assert REGISTER.tell(right_home() | changed) == (
        "site record: single leg, CTs around the loads only, 2 CTs per leg, leads extended, battery not metered,"
        " source adds PV production back to the legs"
    )
    assert REGISTER.tell({}) == "site record: CT location not recorded"
