"""What every section of settings.toml is."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

LONGEST_DAYS = 36_500  # no span of a fleet is longer, and dates end somewhere


class Section(BaseModel):
    """A table of settings.toml; a key it does not know is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)
