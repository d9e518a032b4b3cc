"""The night's published tables, as far as work orders need them, and one home's part of them."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.errors import InputError
from pipeline.core.setting_sections import PrivacySettings
from pipeline.core.settings import Settings
from pipeline.ingest.column_names import nearest
from pipeline.storage.private_files import FOLDER as PRIVATE
from pipeline.storage.private_files import SITE_CONTACT, VISIT_NOTE, read_private
from pipeline.storage.run_files import refuse_unpublished, require_whole
from pipeline.worklist.earlier_visits import EarlierVisits, earlier_visits
from pipeline.worklist.tables import earlier_table
from pipeline.workorder.visit_record import visit_id_of
from pipeline.workorder.wirings import own_wirings, read_wirings

# Of the site record a sheet may carry these columns and, of the private ones, who and where: no others.
REGISTER = (
    "area", "latitude", "longitude", "service", "service_amps", "pv_kw", "ct_sees_pv", "pv_added_back",
    "ct_location", "ct_amps", "cts_per_leg", "lead_extended", "has_battery", "commissioned_on", "pv_on", "lines_summed",
)  # fmt: skip
# Needed, but not printed: the pictures' hours are local.
_UNPRINTED = ("timezone",)
_ONE_ROW = ("site_scores", "site_signal", "standing", "sites")
_MANY_ROWS = ("site_daily", "site_hour")
# What fits on a sheet; the home's page has more.
_VISITS, _NOTE_LENGTH = 3, 120


@dataclass(frozen=True)
class Home:
    """One listed home on a night: its rows of the tables as dicts (empty where it has none), its days and hours.

    `contact` is private (address, access_note, customer); `earlier` are the visits before, `visit_id` that of the next.
    `wirings` are its rows of table wiring, None where it hasn't three lines.
    """

    as_of: date
    listed: dict[str, Any]
    score: dict[str, Any]
    signal: dict[str, Any]
    standing: dict[str, Any]
    register: dict[str, Any]
    days: pl.DataFrame
    hours: pl.DataFrame
    contact: dict[str, Any] = field(default_factory=dict)
    earlier: EarlierVisits = field(default_factory=EarlierVisits)
    visit_id: str = ""
    wirings: pl.DataFrame | None = None

    @property
    def site_id(self) -> str:
        """The home's id."""
        return str(self.listed["site_id"])


@dataclass(frozen=True)
class NightTables:
    """Tables of one night by the names under which it publishes them, and its day.

    `revisit_list`, `site_scores`, `site_signal`, `standing`, `sites` (the register), `site_daily` and `site_hour` (of
    listed homes), `visits` (their register), `safety_call`. `contacts` and `notes` are the private tables, `wirings` is
    table wiring; None where there are none.
    """

    as_of: date
    frames: dict[str, pl.DataFrame]
    contacts: pl.DataFrame | None = None
    notes: pl.DataFrame | None = None
    wirings: pl.DataFrame | None = None

    def shared_by(self, privacy: PrivacySettings) -> NightTables:
        """Return the tables without what may name people and [privacy] doesn't share."""
        contacts = self.contacts if privacy.share_contacts else None
        return replace(self, contacts=contacts, notes=self.notes if privacy.notes_on_pages else None)

    def contact_rows(self) -> dict[str, dict[str, Any]]:
        """Return the row of `contacts` of each home that has one, by site_id."""
        return {} if self.contacts is None else {row["site_id"]: row for row in self.contacts.to_dicts()}

    def homes(self, chosen: Sequence[str], *, with_series: bool = True) -> Iterator[Home]:
        """Yield these listed homes in the order of the list; without series their days and hours stay empty."""
        frames = {
            name: self.frames[name].filter(pl.col("site_id").is_in(sorted(chosen)))
            for name in ("revisit_list", *_ONE_ROW, *_MANY_ROWS)
        }
        rows = {
            name: {row["site_id"]: row for row in frames[name].iter_rows(named=True)} for name in _ONE_ROW
        }
        parts = {
            name: frames[name].partition_by("site_id", as_dict=True) if with_series else {}
            for name in _MANY_ROWS
        }
        visits = self.frames["visits"]
        earlier = earlier_visits(
            visits.filter(pl.col("site_id").is_in(sorted(chosen))), self.notes, frames["standing"],
            most=_VISITS, longest=_NOTE_LENGTH,
        )  # fmt: skip
        taken = frozenset(visits["visit_id"]) if with_series else frozenset()
        contacts = self.contact_rows()
        for listed in frames["revisit_list"].sort("rank").iter_rows(named=True):
            site = listed["site_id"]
            register = rows["sites"].get(site, {})
            yield Home(
                self.as_of,
                listed,
                rows["site_scores"][site],
                rows["site_signal"].get(site, {}),
                rows["standing"].get(site, {}),
                {name: register.get(name) for name in (*REGISTER, *_UNPRINTED)},
                days=parts["site_daily"].get((site,), self.frames["site_daily"].clear()),
                hours=parts["site_hour"].get((site,), self.frames["site_hour"].clear()),
                contact=contacts.get(site, {}),
                earlier=earlier.get(site, EarlierVisits()),
                visit_id=visit_id_of(site, self.as_of, taken),
                wirings=own_wirings(self.wirings, site),
            )


def read_night(out: Path) -> NightTables:
    """Return the tables of OUT/latest that orders need; raises as `read_latest`."""
    as_of, frames = read_latest(out, ("revisit_list", *_ONE_ROW, *_MANY_ROWS, "visits", "safety_call"))
    require_private_whole(out)
    contacts, notes = (read_private(out / "latest", name) for name in (SITE_CONTACT, VISIT_NOTE))
    return NightTables(as_of, frames, contacts, notes, read_wirings(out))


def earlier_on_pages(out: Path, settings: Settings) -> dict[str, EarlierVisits]:
    """Return the earlier visits to the listed homes of OUT/latest for a page; their notes unless [privacy] says no.

    Nothing where the run is of a version that published no visits.
    """
    latest, names = out / "latest", ("revisit_list", "visits", "standing")
    require_whole(latest, [f"{name}.parquet" for name in names], out)
    require_private_whole(out)
    listed, visits, standing = (earlier_table(latest, name) for name in names)
    if listed is None or visits is None or standing is None:
        return {}
    notes = read_private(latest, VISIT_NOTE) if settings.privacy.notes_on_pages else None
    of_listed = visits.join(listed, on="site_id", how="semi")
    return earlier_visits(of_listed, notes, standing, most=_VISITS, longest=_NOTE_LENGTH)


def require_private_whole(out: Path) -> None:
    """Hold that the private tables of OUT/latest are what was published, where they are on this machine.

    Raises
    ------
    InputError
        One isn't.
    """
    folder = out / "latest" / PRIVATE
    here = [name for name in (SITE_CONTACT, VISIT_NOTE) if (folder / f"{name}.parquet").exists()]
    require_whole(out / "latest", [f"{PRIVATE}/{name}.parquet" for name in here], out)


def read_latest(out: Path, names: Sequence[str]) -> tuple[date, dict[str, pl.DataFrame]]:
    """Return the day of OUT/latest and these of its tables.

    Raises
    ------
    InputError
        Nothing is published there, or by a version that published less; or a table isn't what was published.
    """
    latest = out / "latest"
    refuse_unpublished(out)
    require_whole(latest, [f"{name}.parquet" for name in names], out)
    frames = {}
    for name in names:
        file = latest / f"{name}.parquet"
        if not file.is_file():
            raise InputError(f"{file}: missing; run `nightclamp nightly LAKE --out {out}` again")
        frames[name] = pl.read_parquet(file, glob=False)
    run = json.loads((latest / "run.json").read_text(encoding="utf-8"))
    return date.fromisoformat(run["as_of"]), frames


def chosen_homes(night: NightTables, sites: Sequence[str], most: int) -> list[str]:
    """Return the homes to write orders for: `sites`, or the first `most` of the list.

    Raises
    ------
    InputError
        A named home is not on the list.
    """
    listed = night.frames["revisit_list"].sort("rank")["site_id"].to_list()
    for site in sites:
        if site not in listed:
            known = night.frames["site_scores"]["site_id"].to_list()
            why = "not on tonight's list" if site in known else f"not a home of the run{nearest(site, known)}"
            raise InputError(f"{site}: {why}; orders are written for listed homes only")
    return list(sites) or listed[:most]
