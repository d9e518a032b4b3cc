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


@dataclass(frozen=True)
class Labelled:
    """Homes of a fleet with their truth (fault, leg, hard_negative), one row a home; `sites` is the register."""

    sites: pl.DataFrame
    signals: pl.DataFrame
    truth: pl.DataFrame

    @property
    def fault(self) -> NDArray[np.str_]:
        """The fault of each home, or sound, (n,)."""
        return np.array(self.truth["fault"].cast(pl.String).replace("", None).fill_null(SOUND).to_list())

    @property
    def leg(self) -> NDArray[np.str_]:
        """The leg of each home's fault, "both" where it is the home's, (n,)."""
        return np.array(self.truth["leg"].cast(pl.String).replace("", None).fill_null("both").to_list())

    @property
    def hard(self) -> NDArray[np.str_]:
        """What makes a sound home look odd, "" where nothing does, (n,)."""
        if "hard_negative" not in self.truth.columns:
            return np.full(self.truth.height, "", dtype=np.str_)
        return np.array(self.truth["hard_negative"].cast(pl.String).fill_null("").to_list())


def labelled_lake(lake_root: Path, root: Path, window_days: int, settings: Settings) -> Labelled:
    """Return the homes of a lake that has a truth.csv beside it (columns site_id, fault, leg, hard_negative).

    Parameters
    ----------
    lake_root
        The lake.
    root
        A folder to work in.
    window_days
        How many of its last days the window has.
    settings
        Of the night.
    """
    lake = open_lake(lake_root)
    days = lake.days()[-window_days:]
    registers = read_registers(lake, days[-1])
    workdir = root / "work"
    workdir.mkdir(exist_ok=True)
    con = sql_runner.connect(workdir, settings.engine)
    store = Store(root / "store")
    stored = refresh_days(
        con, lake, days, registers=registers, store=store, settings=settings, workdir=workdir
    )
    files = [path for day in stored for path in day.paths(store, "site_day")]
    view = look(
        con,
        files,
        registers.sites,
        visits=registers.visits,
        as_of=days[-1],
        window_days=window_days,
        settings=settings,
    )
    con.close()
    truth = pl.read_csv(lake_root / "truth.csv", infer_schema_length=None)
    matched = view.signals.select("site_id").join(truth, on="site_id", how="left", maintain_order="left")
    return Labelled(registers.sites, view.signals, matched)
