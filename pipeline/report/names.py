"""File names for homes and anchors for crews: safe on every disk, never outside their folder, never shared by two."""

from __future__ import annotations

import hashlib
import re
from datetime import date

_LONGEST = 40


def page_name(site_id: str) -> str:
    """Return the file name of a home's page, `<readable part>-<hash>.html`.

    The readable part keeps ASCII letters, digits, and dashes of the id, in lower case; 16 hex digits of the
    id's SHA-256 tell apart ids that read alike, also on disks that ignore case.
    """
    readable = re.sub(r"[^a-z0-9]+", "-", site_id.lower()).strip("-")[:_LONGEST].strip("-") or "home"
    return f"{readable}-{hashlib.sha256(site_id.encode('utf-8')).hexdigest()[:16]}.html"


def truck_day_page(day: date, truck_id: str) -> str:
    """Return the file name of a truck's page of a day, in the folder of the plan."""
    return f"{day}-{page_name(truck_id)}"


def crew_anchor(crew_id: str) -> str:
    """Return the id of a crew's place on the crews' page, by the same rule as `page_name`."""
    return f"crew-{page_name(crew_id).removesuffix('.html')}"
