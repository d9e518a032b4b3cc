"""The columns of table site_signal that the energy misreported by the catalogue's faults is worked out from."""

from __future__ import annotations

from pipeline.faults.catalogue import CATALOGUE


def energy_columns(line_count: int = 2) -> set[str]:
    return {
        column
        for fault in CATALOGUE.values()
        for leg in (*fault.legs_of(line_count), None)
        for column in fault.energy_kwh_day(leg, line_count).meta.root_names()
    }
