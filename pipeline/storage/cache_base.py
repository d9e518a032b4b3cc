"""Where working copies lie that may be deleted at any time when no command is at work."""

from __future__ import annotations

import os
from pathlib import Path

from pipeline.core.setting_sections import ObjectStoreSettings


def cache_base(own: ObjectStoreSettings) -> Path:
    """Return [object_store] cache, or nightclamp in the user's cache folder."""
    base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(own.cache) if own.cache else Path(base) / "nightclamp"


def server_name() -> str:
    """Return the object store's server that the environment names, or an empty text."""
    return os.environ.get("AWS_ENDPOINT_URL_S3") or os.environ.get("AWS_ENDPOINT_URL") or ""
