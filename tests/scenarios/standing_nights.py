"""A home's nights for the tests of standings: its rows of scores, its visits, what they prove, its plan."""

from datetime import date, timedelta

import polars as pl

from pipeline.core.contract import FAULTS, Visit
from pipeline.core.settings import load_settings
from pipeline.worklist.fix_verification import SCHEMA as PROOF
from pipeline.worklist.home_status import next_standing
from pipeline.worklist.planned_visits import PLANS

SETTINGS = load_settings()
MONDAY = date(2026, 6, 1)


def night(number):
    return MONDAY + timedelta(days=number)


def scored(
    likelihood=0.9, fault="reversed", verdict=None, from_on=None, onset_on=None, nights=20, pays_from=0.35, **others
):  # fmt: skip
    """One home's row of site_scores and its value; the rest of the likelihood is sound's, `others` other faults'."""
    shares = dict.fromkeys((*FAULTS, "sound"), 0.0) | {fault: likelihood - sum(others.values())} | others
    likely = max(shares, key=shares.get)
    shares["sound"] = 1 - likelihood
    usual = "suspect" if likelihood >= 0.5 else "sound" if likelihood < 0.2 else "unproven"
    return {
        "site_id": "A", "likelihood": likelihood, "likely_fault": likely, "verdict": verdict or usual,
        "fault_likelihoods": shares, "onset_on": onset_on, "from_on": from_on or MONDAY - timedelta(days=29),
        "nights": nights, "priority": 400.0 * (likelihood - pays_from), "break_even": pays_from,
    }  # fmt: skip


def visit(on, found, fixed=False):
    return {"visit_id": f"V{on}", "site_id": "A", "visited_on": on, "found": found, "fixed": fixed}


def frame(rows):
    schema = {"onset_on": pl.Date, "from_on": pl.Date}
    return pl.DataFrame(rows, schema_overrides=schema)


def frame_visits(*rows):
    return pl.DataFrame(list(rows), schema=pl.Schema(Visit))


def proofs(proof=None, told="4 nights since the visit", nights=4, wanted=None):
    """What the data since the home's visit say; no row without a proof."""
    row = {
        "site_id": "A", "proof": proof, "still_wrong_share": 0.1, "nights_since": nights, "nights_wanted": wanted,
        "proof_told": told,
    }  # fmt: skip
    return pl.DataFrame([row] if proof else [], schema=PROOF)


def planned(on=None, made_on=MONDAY):
    row = {"site_id": "A", "planned_on": on, "truck_id": "T1", "planned_made_on": made_on}
    return pl.DataFrame([row] if on else [], schema=PLANS)


def tell(nights, visits=(), previous=None, plan=None):
    """Run the nights (number, row[, proof]) in order; return the home's standing after each."""
    register = frame_visits(*visits)
    told = []
    for number, row, *proof in nights:
        previous = next_standing(
            previous,
            frame([row]),
            register,
            fixes=proof[0] if proof else proofs(),
            plans=planned(plan),
            as_of=night(number),
            settings=SETTINGS,
        )
        told.append(previous.row(0, named=True))
    return told


def standings(told):
    return [row["standing"] for row in told]


def since_visit(on, likelihood, **more):
    """A row whose data are those since a visit on night `on`."""
    return scored(likelihood, from_on=night(on + 1), **more)
