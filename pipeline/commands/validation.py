"""The command `nightclamp proof`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from pipeline.commands.options import MOST_HOMES, Homes, OutputConsole, Seed, SettingsFile, Workers, within
from pipeline.core.settings import load_settings


def proof(
    *,
    sites: Homes = 2000,
    seed: Seed = 11,
    visits: Annotated[int | None, Parameter(validator=within(0, MOST_HOMES))] = None,
    model: Path | None = None,
    out: Path = Path("nightclamp-proof"),
    quick: bool = False,
    services: bool = False,
    workers: Workers = 2,
    keep: Path | None = None,
    settings: SettingsFile = None,
) -> None:
    """Measure the likelihoods on fleets of every family, of seeds no training has seen, and on real measured homes.

    Prints every target with met or not met; tables, all numbers and the reliability picture go to a folder.

    Example: `nightclamp proof --quick`

    Parameters
    ----------
    sites
        Homes of the first fleet (5.5 % faulty); the others have half as many.
    seed
        Seed of the first fleet; the others' follow it.
    visits
        How many homes can be visited; as many as are faulty if not given.
    model
        Folder of a model made by `nightclamp train`; the shipped one if not given.
    out
        Folder for the page, the tables and the picture.
    quick
        A tenth of the homes, half of the nights, fewer small fleets.
    services
        Fleets of 1,000 homes of each service instead (half of --sites), the others beside the one of two legs.
    workers
        Processes to share the building of fleets.
    keep
        Folder in which the fleets stay, and are taken from where they are there already.
    """
    from pipeline.commands.progress import progress
    from pipeline.commands.study_console import show_study
    from pipeline.evaluation.validation.page import write_validation
    from pipeline.evaluation.validation.run import ValidationRequest, validate
    from pipeline.evaluation.validation.services import ServicesRequest, judge_services

    console = OutputConsole()
    with progress(console) as tell:
        if services:
            by_service = ServicesRequest(sites // (20 if quick else 2), seed, model, workers, keep)
            study = judge_services(by_service, load_settings(settings), tell)
        else:
            request = ValidationRequest(sites, seed, visits, model, quick, workers, keep)
            study = validate(request, load_settings(settings), tell)
        page = write_validation(study, out)
    show_study(console, study, page, left_out=("mistaken", "confusion"))
