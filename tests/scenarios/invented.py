"""An invented night for the tests about crews: homes, likelihoods, visits and trainings whose truth is known."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl
from energy_columns import energy_columns
from scipy import special

from pipeline.core.contract import FAULTS
from pipeline.core.settings import Settings
from pipeline.crews import crew_tables
from pipeline.faults.catalogue import CATALOGUE
from pipeline.ingest.registers import Registers
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.score_homes import Scored

NIGHT = date(2026, 6, 14)
POSITIONS = ("service_entrance", "bus_bar", "feeder", "load_conductors")
VISITS = {
    "visit_id": pl.String, "site_id": pl.String, "visited_on": pl.Date, "crew_id": pl.String, "found": pl.String,
    "leg": pl.String, "fixed": pl.Boolean, "note": pl.String,
}  # fmt: skip
PROMISE = {"visit_id": pl.String, "scored_likelihood": pl.Float64, "scored_since": pl.Date}
TRAININGS = {"crew_id": pl.String, "trained_on": pl.Date, "topic": pl.String}


def signals(site_ids: list[str]) -> pl.DataFrame:
    """Table site_signal as far as the energy misread needs it, all 1."""
    other = {"service": "120/240", "is_declared_upstream": True, "is_added_back": False}
    columns = {name: pl.lit(other.get(name, 1.0)) for name in sorted(energy_columns())}
    return pl.DataFrame({"site_id": site_ids}, schema={"site_id": pl.String}).with_columns(**columns)


def sites(rows: list[dict]) -> pl.DataFrame:
    """The register; what a row leaves out is empty."""
    schema = {
        "site_id": pl.String, "crew_id": pl.String, "area": pl.String, "commissioned_on": pl.Date,
        "ct_location": pl.String, "cts_per_leg": pl.Int64, "lead_extended": pl.Boolean, "service": pl.String,
    }  # fmt: skip
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)


def scores(rows: list[dict]) -> pl.DataFrame:
    """Table site_scores: site_id, likelihood; verdict, fault ("reversed"), onset_on, nights (30) where not said."""
    told = [
        {
            "site_id": row["site_id"],
            "likelihood": row["likelihood"],
            "ct_verdict": row.get("verdict") or ("suspect" if row["likelihood"] >= 0.5 else "sound"),
            "onset_on": row.get("onset_on"),
            "nights": row.get("nights", 30),
            "fault_likelihoods": dict.fromkeys(FAULTS, 0.0)
            | {row.get("fault", "reversed"): row["likelihood"], "sound": 1 - row["likelihood"]},
        }
        for row in rows
    ]
    shares = pl.Struct(dict.fromkeys((*FAULTS, "sound"), pl.Float64))
    schema = {
        "site_id": pl.String, "likelihood": pl.Float64, "ct_verdict": pl.String, "onset_on": pl.Date,
        "nights": pl.Int64, "fault_likelihoods": shares,
    }  # fmt: skip
    return pl.DataFrame(told, schema=schema).with_columns(verdict="ct_verdict")


def crew_names(count: int) -> list[str]:
    return [f"C{number + 1:02d}" for number in range(count)]


@dataclass(frozen=True)
class CrewNight:
    """What a night knows of crews: `base_rate` is the share of faulty homes behind the likelihoods of `scores`."""

    scores: pl.DataFrame
    signals: pl.DataFrame
    sites: pl.DataFrame
    crews: pl.DataFrame
    visits: pl.DataFrame
    trainings: pl.DataFrame
    promise: pl.DataFrame
    base_rate: float

    def tables(self, settings: Settings) -> dict[str, pl.DataFrame]:
        """Return the tables about crews."""
        scored = Scored(self.scores, self.signals, FleetNormal({}, self.base_rate, {}, pl.DataFrame()))
        registers = Registers(NIGHT, self.sites, self.crews, self.visits, self.trainings, pl.DataFrame())
        return crew_tables(scored, registers, self.promise, catalogue=CATALOGUE, settings=settings)


def invented_night(crews: int = 12, homes: int = 700, seed: int = 3, visits: int = 90) -> CrewNight:
    """A night with a bad crew C01, a good one C02, few installs at the last, and C03 better after its training."""
    rng = np.random.default_rng(seed)
    names = crew_names(crews)
    size = np.r_[np.full(crews - 1, 1.0), 0.15]
    crew = rng.choice(crews, homes, p=size / size.sum())
    effect = np.where(crew == 0, 1.5, np.where(crew == 1, -1.2, 0.0))
    day = rng.integers(10, 700, homes)  # days in service
    effect = effect + np.where(crew == 2, np.where(day > 330, 1.4, -1.4), 0.0)
    at = rng.integers(0, 4, homes)
    extended, pairs = rng.random(homes) < 0.3, rng.random(homes) < 0.4
    chance = special.expit(-2.9 + effect + 0.3 * at + 0.5 * extended + 0.5 * pairs)
    wrong = rng.random(homes) < chance
    kind = np.where(at == 3, "partial", rng.choice(["reversed", "legs_crossed", "dead", "loose_core"], homes))
    apart = rng.choice([0.8, 2.5, 4.5], homes, p=[0.1, 0.3, 0.6])
    evidence = rng.normal(np.where(wrong, 1, -1) * apart**2 / 2, apart)
    likelihood = special.expit(special.logit(chance.mean()) + evidence)
    ids = [f"S{number:04d}" for number in range(homes)]
    go = np.argsort(-(special.logit(np.clip(likelihood, 1e-6, 1 - 1e-6)) + rng.gumbel(0, 1, homes)))[:visits]
    register = sites(
        [
            {
                "site_id": ids[i], "crew_id": names[crew[i]], "area": ("North", "South")[i % 2],
                "commissioned_on": NIGHT - timedelta(days=int(day[i])),
                "ct_location": POSITIONS[at[i]] if i % 17 else None, "cts_per_leg": 2 if pairs[i] else 1,
                "lead_extended": bool(extended[i]), "service": "120/240" if i % 9 else "120/208",
            }
            for i in range(homes)
        ]
    )  # fmt: skip
    seen = set(go.tolist())
    told = [
        {
            "visit_id": f"V{i:04d}", "site_id": ids[i], "visited_on": NIGHT - timedelta(days=int(rng.integers(1, 9))),
            "crew_id": names[(crew[i] + 1) % crews], "found": str(kind[i]) if wrong[i] else "sound",
            "leg": "l1" if wrong[i] else None, "fixed": bool(wrong[i]), "note": None,
        }
        for i in sorted(seen)
    ]  # fmt: skip
    after = [
        {
            "site_id": ids[i],
            "likelihood": 0.01 if i in seen else float(likelihood[i]),
            "fault": str(kind[i]),
            "verdict": "unproven" if i not in seen and 0.2 < likelihood[i] < 0.5 else None,
        }
        for i in range(homes)
    ]
    promised = [
        {"visit_id": f"V{i:04d}", "scored_likelihood": float(likelihood[i]), "scored_since": None}
        for i in sorted(seen)
    ]
    return CrewNight(
        scores(after),
        signals(ids),
        register,
        pl.DataFrame({"crew_id": names, "crew_name": [f"Crew {name}" for name in names]}),
        pl.DataFrame(told, schema=VISITS),
        pl.DataFrame(
            [
                {"crew_id": "C03", "trained_on": NIGHT - timedelta(days=330), "topic": None},
                {"crew_id": names[-1], "trained_on": NIGHT - timedelta(days=100), "topic": "reversed"},
            ],
            schema=TRAININGS,
        ),
        pl.DataFrame(promised, schema=PROMISE),
        float(chance.mean()),
    )
