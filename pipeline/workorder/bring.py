"""What to take along: what the suspected fault asks for, with the register's ratings, and what every order needs."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from pipeline.core.setting_sections import OrderSettings
from pipeline.faults.types import Fault
from pipeline.report import words
from pipeline.worklist.revisit_list import to_bring

_SPARE = re.compile(r"\bclamp\b(?! meter)")


def things(fault: Fault, register: Mapping[str, Any], own: OrderSettings) -> tuple[str, ...]:
    """Return the things to bring, the fault's first; nothing stands there twice."""
    own_things = to_bring(fault.remedy.bring, register["ct_amps"]).split("; ") if fault.remedy.bring else []
    named = " ".join(own_things)
    count = max(1, round(register["cts_per_leg"] or 1))
    rating = (
        f"{register['ct_amps']:g} A, by the register"
        if register["ct_amps"] is not None
        else "rating not in the register: read it off the clamps"
    )
    usual = (
        (_SPARE, f"spare clamp{'s' if count > 1 else ''}, {rating}{f', {count} a leg' if count > 1 else ''}"),
        (re.compile("splice|connector"), "insulation-displacement connectors and their tool"),
        (
            re.compile("twisted"),
            f"twisted pair{', these leads are extended' if register['lead_extended'] else ''}",
        ),
        (
            re.compile("known load|heater"),
            f"known load of about {words.number(own.known_load_w)} W without a motor",
        ),
        (re.compile("clamp meter"), "clamp meter"),
        (re.compile("voltage tester"), "voltage tester and proving unit"),
        (re.compile("lead markers"), "lead markers"),
    )
    return (*own_things, *(thing for asked, thing in usual if not asked.search(named)))
