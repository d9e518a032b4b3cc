"""The command `nightclamp simulate`."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from pipeline.commands.options import Days, Homes, OutputConsole, Seed, ServiceName, Share, Workers, within
from pipeline.core.contract import FIRST_DATE, LAST_DATE
from pipeline.core.errors import InputError
from pipeline.storage.object_url import object_url


def simulate(
    out: Path,
    *,
    sites: Homes = 200,
    days: Days = 30,
    minutes: int = 15,
    seed: Seed = 1,
    fault_share: Share = 0.05,
    end: Annotated[
        date | None, Parameter(validator=within(FIRST_DATE + timedelta(days=3650), LAST_DATE))
    ] = None,
    workers: Workers = 1,
    utility_files: Share = 0.0,
    service: ServiceName | None = None,
    sample: bool = False,
) -> None:
    """Make a lake of invented homes, with the truth in truth.csv.

    Example: `nightclamp simulate LAKE --sites 500 --days 60 --minutes 5`

    Parameters
    ----------
    out
        Empty folder for the lake.
    sites
        Homes [count].
    days
        UTC days [days].
    minutes
        Interval length [min]: 1, 5, 15, 30 or 60.
    seed
        The same seed gives the same bytes.
    fault_share
        Share of homes with a fault, 0 to 1.
    end
        Last day, YYYY-MM-DD; 2026-06-14 if not given.
    workers
        Processes to share the work.
    utility_files
        Share of homes whose meter is in a file of their utility, 0 to 1: LAKE/utility and meters.csv.
    service
        What the utility brings to every home; what North American homes have, most 120/240, if not given.
    sample
        Make the project's sample lake instead, or with --service that of homes with three lines; no other option
        is used.
    """
    from pipeline.commands.progress import progress
    from pipeline.simulate.lake import write_lake
    from pipeline.simulate.sample import write_sample_lake
    from pipeline.simulate.sample_three_lines import write_sample_of
    from pipeline.simulate.spec import FleetSpec

    if object_url(out):
        raise InputError(f"{object_url(out)}: a lake is made in a folder; copy it from there")
    if sample:
        if (out / "intervals").exists():
            raise InputError(f"{out}: holds intervals already; choose an empty folder")
        if service is None:
            write_sample_lake(out)
        else:
            write_sample_of(service, out)
    else:
        spec = FleetSpec(
            sites, days, minutes, seed, fault_share=fault_share, utility_share=utility_files, service=service
        )
        with progress(OutputConsole()) as tell:
            write_lake(spec if end is None else replace(spec, end=end), out, workers=workers, tell=tell)
    print(f"{out}: written, the truth in {out / 'truth.csv'}")
