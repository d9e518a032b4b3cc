"""Fleets of each service beside one of two legs: how good the likelihoods are where homes have one line or three."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Mapping
from contextlib import nullcontext
from dataclasses import asdict, dataclass
from datetime import date
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import polars as pl

from pipeline.core.errors import InputError
from pipeline.core.services import service_of
from pipeline.core.settings import Settings, load_settings
from pipeline.evaluation.study_pages import Study, Table, percent
from pipeline.evaluation.validation import metrics
from pipeline.evaluation.validation.calibration import reliability_table
from pipeline.evaluation.validation.fleets import (
    FAULT_SHARE,
    HARD_SHARE,
    FleetBuilder,
    lake_name,
    weigh_as_ordinary,
)
from pipeline.evaluation.validation.model_training import describe_training, refuse_training_seeds
from pipeline.evaluation.validation.nights import score_night, store_lake
from pipeline.evaluation.validation.truth import pool_homes
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import load_model
from pipeline.simulate.families.fleet import write_unlike_lake
from pipeline.simulate.families.measurements import need_measurements
from pipeline.simulate.families.spec import Family, UnlikeSpec

TWO_LEGS = "120/240"  # what the others stand beside
JUDGED = (TWO_LEGS, "230", "230/400", "120/208 three-phase")
REAL, REAL_STARTS = (TWO_LEGS, "230", "230/400"), 2  # of homes of real measurements, and windows of each
DAYS, SUMMER = 30, date(2026, 6, 14)
FEWEST = 60
# How far a fleet may stay behind the one of two legs: column -> (what it is called, difference, is more better).
ALLOWED: Mapping[str, tuple[str, float, bool]] = {
    "average_precision": ("average precision", 0.02, True),
    "found_share": ("share of faulty homes found", 0.03, True),
    "named_share": ("fault named correctly, of those found", 0.03, True),
    "leg_share": ("lines named correctly, of those found", 0.03, True),
    "ece": ("calibration error", 0.01, False),
    "sound_suspects_1000": ("sound homes suspected, per 1,000", 3.0, False),
}


@dataclass(frozen=True)
class ServicesRequest:
    """Fleets of `sites` homes of each service of JUDGED, drawn by `family` with `seed`; others as of a validation."""

    sites: int = 1000
    seed: int = 11
    model: Path | None = None
    workers: int = 2
    keep: Path | None = None
    family: Family = "weather"

    def __post_init__(self) -> None:
        """Refuse what can't be validated."""
        if self.sites < FEWEST:
            raise InputError(f"a proof needs {FEWEST} homes or more, not {self.sites}")

    def spec(self, service: str) -> UnlikeSpec:
        """Return the ordinary fleet of this service."""
        return UnlikeSpec(
            self.sites,
            DAYS,
            15,
            self.seed,
            SUMMER,
            FAULT_SHARE,
            HARD_SHARE,
            family=self.family,
            service=service,
        )


def judge_fleet(
    lake: Path, model: Model | None = None, settings: Settings | None = None
) -> tuple[dict[str, Any], pl.DataFrame]:
    """Return the numbers of a lake's last night, and `join_truth`'s homes.

    The numbers are those of `metrics.compute_metrics`, with `suspects` and `sound_suspects_1000`. The lake has a
    truth.csv; statistics of its days are kept beside it while it is judged. No model: the shipped one.
    """
    scratch = lake.with_name(f"{lake.name}-days")
    shutil.rmtree(scratch, ignore_errors=True)
    try:
        stored = store_lake(lake, scratch, settings or load_settings(None))
        homes = score_night(stored, stored.nights, model or load_model(None)).homes
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    return fleet_numbers(homes), homes


def fleet_numbers(homes: pl.DataFrame) -> dict[str, Any]:
    """Return the metrics of `join_truth`'s homes, the homes suspected and the sound ones among them in a thousand."""
    is_suspect, weight = pl.col("verdict") == "suspect", pl.col("weight")
    sound = homes.filter(~pl.col("is_faulty"))
    alarms = sound.select((weight * is_suspect).sum() / weight.sum()).item() if sound.height else 0.0
    numbers = metrics.compute_metrics(homes)
    return numbers | {"suspects": homes.filter(is_suspect).height, "sound_suspects_1000": 1000 * alarms}


def judge_services(
    request: ServicesRequest, settings: Settings, tell: Callable[[str], None] = lambda line: None
) -> Study:
    """Return the study of a fleet of each service: its targets, its numbers, its faults, its names.

    Raises
    ------
    InputError
        A package of the proof extra is missing, the model can't be read, or it was trained on the seed.
    """
    need_measurements()
    start = time.perf_counter()
    model = load_model(request.model)
    refuse_training_seeds(model, {request.seed})
    homes: dict[str, pl.DataFrame] = {}
    scratch = (
        TemporaryDirectory(prefix="nightclamp-proof-") if request.keep is None else nullcontext(request.keep)
    )
    with scratch as name:
        for service in JUDGED:
            spec = request.spec(service)
            lake = Path(name) / lake_name(spec)
            if not (lake / "truth.csv").exists():
                shutil.rmtree(lake, ignore_errors=True)
                write_unlike_lake(spec, lake, request.workers, tell=partial(_tell_of, service, tell))
            tell(f"{service_of(service).title}: scored")
            _, homes[service] = judge_fleet(lake, model, settings)
        builder = FleetBuilder(
            Path(name), model, settings, request.workers, is_kept=request.keep is not None, tell=tell
        )
        real = {
            service: weigh_as_ordinary(builder.real_homes(True, REAL_STARTS, service)) for service in REAL
        }
    summary = (
        f"{request.sites} homes of each of {len(JUDGED)} services, family {request.family}, seed {request.seed}, the "
        f"same roofs, people and faults as far as they fit. {describe_training(model)}"
    )
    options = {
        **asdict(request),
        "model_id": model.model_id,
        "model": str(request.model or "shipped"),
        "keep": None,
    }
    frames = {
        "homes": pool_homes(list(homes.values())).drop("fault_likelihoods"),
        "reliability": reliability_table(pool_homes([homes[service] for service in JUDGED[1:]])),
    }
    return Study(
        "proof", summary, options, service_tables(homes, real), frames, {"all": time.perf_counter() - start}
    )


def _tell_of(service: str, tell: Callable[[str], None], line: str) -> None:
    tell(f"{service_of(service).title}: {line}")


def service_tables(homes: Mapping[str, pl.DataFrame], real: Mapping[str, pl.DataFrame]) -> tuple[Table, ...]:
    """Return the tables of these fleets' homes, by service, the targets first; TWO_LEGS is one of them.

    `real` are the homes of real measurements by service, weighted.
    """
    numbers = {service: fleet_numbers(fleet) for service, fleet in homes.items()}
    faulty = min(row["faulty"] for row in numbers.values())
    fleets = pl.DataFrame([
        {"service": f"{service_of(service).title}{kind}", **row}
        for kind, rows in (("", numbers), (", real", {name: fleet_numbers(fleet) for name, fleet in real.items()}))
        for service, row in rows.items()
    ])  # fmt: skip
    by_fault, by_hard, mistaken = (
        pl.concat(
            [
                count(fleet)
                .with_columns(pl.lit(service_of(service).title).alias("service"))
                .select("service", pl.all().exclude("service"))
                for service, fleet in homes.items()
            ],
            how="diagonal_relaxed",
        )
        for count in (metrics.count_by_fault, metrics.count_false_alarms, metrics.count_wrong_names)
    )
    return (
        Table(
            "targets", "Targets: no service far behind homes with two legs", check_services(numbers),
            "Target value: that of the fleet of two legs, and the difference that is allowed. "
            f"{faulty} homes of each fleet are faulty: one more or less is {percent(1 / max(faulty, 1))} of them. "
            "A home with one line has no other to compare with: some faults that scale a reading look alike there.",
            columns=("service", "target", "wanted", "value", "met"),
        ),
        Table(
            "fleets", "First night, by service", fleets,
            "One night of scoring on a window of 30 days. Found: among the first homes by likelihood, as many as are "
            "faulty. Lines named correctly: exactly those that the fault is on, of those found. Real: a household of "
            "230 V measured near Paris, on two legs, as it is, and three years of it as three lines; simulated faults, "
            "weighted to 5.5 % of the homes.",
            columns=(
                "service", "homes", "faulty", "average_precision", "first_share", "found_share", "named_share",
                "leg_share", "ece", "sound_suspects_1000",
            ),
        ),
        Table("by_fault", "By fault", by_fault, "Missed homes by their verdict.", columns=(
            "service", "fault", "homes", "found", "found_share", "named_share", "leg_share", "missed_unproven",
            "missed_sound",
        )),
        Table("by_hard", "False alarms by kind of hard negative", by_hard),
        Table("mistaken", "Faults named wrongly", mistaken),
    )  # fmt: skip


def check_services(numbers: Mapping[str, Mapping[str, Any]]) -> pl.DataFrame:
    """Return a row a target and service: `service`, `target`, `wanted`, `value`, `is_met`, `met`.

    `numbers` are `fleet_numbers` by service, TWO_LEGS among them.
    """
    rows = []
    for service, of_fleet in numbers.items():
        if service == TWO_LEGS:
            continue
        for column, (title, difference, is_least) in ALLOWED.items():
            limit = numbers[TWO_LEGS][column] + (-difference if is_least else difference)
            value = of_fleet[column]
            is_met = bool(value >= limit if is_least else value <= limit)
            rows.append({
                "service": service_of(service).title, "target": title,
                "wanted": f"{'>=' if is_least else '<='} {limit:.3f}", "value": f"{value:.3f}", "is_met": is_met,
                "met": "met" if is_met else "not met",
            })  # fmt: skip
    return pl.DataFrame(rows)
