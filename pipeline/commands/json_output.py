"""One JSON document on standard output: numbers are numbers, dates ISO 8601, what isn't known is null.

Keys are those of the tables in a published run, as fault codes are; a key that is there stays.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any


def print_json(document: Mapping[str, Any]) -> None:
    """Print the document."""
    print(json.dumps(plain(document), indent=2, ensure_ascii=False, allow_nan=False))


def plain(value: Any) -> Any:
    """Return the value as JSON knows it: NaN and infinity are null, dates and paths texts."""
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, Iterable):
        return [plain(item) for item in value]
    return str(value)
