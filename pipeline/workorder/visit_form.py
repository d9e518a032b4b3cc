"""The visit record as a form: one file that works offline on a phone and gives the row of visits.csv.

Its script stands in the file, so that the file is enough; the policy allows that script by its hash and nothing else.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib import resources
from typing import Any

from markupsafe import Markup

from pipeline.core.contract import SOUND, Visit
from pipeline.report.names import page_name
from pipeline.workorder.order import Order

FOLDER = "forms"


def form_values(order: Order) -> dict[str, Any]:
    """Return what the template visit_form.html asks for; nothing of the customer is in it."""
    script = _script()
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    return {
        "record": order.record,
        "suspicion": order.suspicion,
        "columns": Visit.column_names(),
        "first": order.commissioned_on,
        "sound": SOUND,
        "page": page_name(order.site_id),
        "script": Markup(script),
        "script_hash": f"sha256-{digest}",
    }


@cache
def _script() -> str:
    return (resources.files("pipeline.workorder") / "static" / "visit_form.js").read_text(encoding="utf-8")
