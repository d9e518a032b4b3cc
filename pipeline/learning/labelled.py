"""Homes of a fleet with their truth, taken through the pipeline's own steps."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core import sql_runner
from pipeline.core.contract import SOUND
from pipeline.core.settings import Settings
from pipeline.features.day_store import Store
from pipeline.features.update_store import refresh_days
from pipeline.features.window import look
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.probes.line_rows import THREE, has_three_lines
from pipeline.storage.layout import LINE_TABLE


@dataclass(frozen=True)
class Labelled:
    """Homes of a fleet with their truth (fault, leg, hard_negative), one row a home; `sites` is the register."""

    sites: pl.DataFrame
    signals: pl.DataFrame
    truth: pl.DataFrame

    def with_lines(self, line_count: int) -> Labelled:
        """Return the homes of three lines, or of fewer; a channel that sends nothing takes a line away."""
        is_asked = has_three_lines(self.signals) == (line_count == THREE)
        return Labelled(self.sites, self.signals.filter(is_asked), self.truth.filter(is_asked))

    @property
    def fault(self) -> NDArray[np.str_]:
        """The fault of each home, or sound, (n,)."""
        return self._column("fault", SOUND)

    @property
    def leg(self) -> NDArray[np.str_]:
        """The leg of each home's fault, "both" where it is the home's, (n,)."""
        return self._column("leg", "both")

    @property
    def hard_negative(self) -> NDArray[np.str_]:
        """What makes a sound home look odd, "" where nothing does, (n,)."""
        return self._column("hard_negative", "")

    def _column(self, name: str, otherwise: str) -> NDArray[np.str_]:
        if name not in self.truth.columns:
            return np.full(self.truth.height, otherwise)
        return np.array(self.truth[name].cast(pl.String).replace("", None).fill_null(otherwise).to_list())


def labelled_lake(lake_root: Path, root: Path, window_days: int, *, settings: Settings) -> Labelled:
    """Return the homes of a lake that has a truth.csv beside it (columns site_id, fault, leg, hard_negative).

    Parameters
    ----------
    lake_root, root
        The lake, and a scratch folder.
    window_days, settings
        How many of its last days the window has; settings of the night.
    """
    lake = open_lake(lake_root)
    days = lake.days()[-window_days:]
    registers = read_registers(lake, days[-1])
    scratch = root / "work"
    scratch.mkdir(exist_ok=True)
    con = sql_runner.connect(scratch, settings.engine)
    store = Store(root / "store")
    stored = refresh_days(
        con, lake, days, registers=registers, store=store, settings=settings, workdir=scratch
    )
    files, line_files = (
        [path for day in stored for path in day.paths(store, table)] for table in ("site_day", LINE_TABLE)
    )
    view = look(
        con,
        files,
        registers.sites,
        visits=registers.visits,
        as_of=days[-1],
        window_days=window_days,
        settings=settings,
        line_files=line_files,
    )
    con.close()
    truth = pl.read_csv(lake_root / "truth.csv", infer_schema_length=None)
    matched = view.signals.select("site_id").join(truth, on="site_id", how="left", maintain_order="left")
    return Labelled(registers.sites, view.signals, matched)
