"""What a night works on: the lake, its registers, the days to read, the model, the run before."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from pipeline.core.errors import InputError
from pipeline.core.settings import Settings
from pipeline.features.day_store import Store
from pipeline.ingest.lake import Lake, open_lake
from pipeline.ingest.registers import Registers, read_registers
from pipeline.scoring.model import Model
from pipeline.scoring.model_choice import choose_model
from pipeline.storage.output_location import Out


@dataclass(frozen=True)
class NightRequest:
    """What was asked: a lake, where results go, the last whole UTC day (None: the newest), the window, a model.

    Lake and out may name an object store (pipeline/storage/object_url.py says how).
    """

    lake: Path
    out: Path
    as_of: date | None = None
    window_days: int = 30
    model: Path | None = None


@dataclass(frozen=True)
class NightInputs:
    """What the night works on: `days` are the UTC days it reads, oldest first; `later` those it leaves alone.

    `model_note` says which model it is and why. `request.out` is a folder, be it an object store's local copy.
    """

    request: NightRequest
    lake: Lake
    as_of: date
    registers: Registers
    days: tuple[date, ...]
    later: tuple[date, ...]
    model: Model
    model_note: str
    previous: Path | None

    @property
    def store(self) -> Store:
        """The store of this OUT."""
        return Store(self.request.out / "store")

    @property
    def workdir(self) -> Path:
        """A folder that is gone when the night is over."""
        return self.request.out / "store" / ".work"


def open_night(request: NightRequest, out: Out, settings: Settings) -> NightInputs:
    """Open the lake and its registers, settle the as-of day and the days to read, load the model."""
    request = replace(request, out=out.local)
    if request.window_days < 1:
        raise InputError(f"--window-days {request.window_days}: choose at least 1")
    lake = open_lake(request.lake, settings)
    today = datetime.now(UTC).date()
    as_of = request.as_of or lake.newest_day(today)
    if as_of > today:
        raise InputError(f"--as-of {as_of}: lies in the future; choose a day up to {today}")
    first = as_of - timedelta(days=request.window_days - 1)
    all_days = lake.days()
    days = [day for day in all_days if first <= day <= as_of]
    if not days:
        raise InputError(
            f"{lake.root}: no data from {first} to {as_of};"
            f" the lake has {all_days[0]} to {all_days[-1]}: choose --as-of"
        )
    in_future = [day for day in all_days if day > today]
    model, note = choose_model(request.model, request.out)
    out.bring_store((*days, *in_future))
    return NightInputs(
        request,
        lake,
        as_of,
        read_registers(lake, as_of),
        (*days, *in_future),
        tuple(day for day in all_days if as_of < day <= today),
        model,
        note,
        out.earlier_run(as_of),
    )
