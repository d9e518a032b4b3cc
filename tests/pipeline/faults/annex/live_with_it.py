"""Run in a copy of the project that has one fault more: what every room makes of it, as JSON on stdout."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.commands.home_story import read_home
from pipeline.core.contract import SOUND
from pipeline.core.settings import load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.channels import Channels, Repair
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring, measure
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.learning.labelled import Labelled, labelled_lake
from pipeline.learning.training import Fleet, fit_model
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.probes.measured import measure as measure_probes
from pipeline.report.fault_cards import fault_cards
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import save_model
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec
from pipeline.workorder.build import build_order
from pipeline.workorder.tables import read_night

ROOT = Path(sys.argv[1])
NEW = sys.argv[2]
SHIPPED = load_settings()
# half the homes here have a fault, and the model should say so of a small fit
QUICK = {
    "rounds": 20, "which_rounds": 20, "leg_rounds": 10, "innocent_rounds": 5, "fewest_in_leaf": 8, "leaves": 4,
    "learning_rate": 0.3, "l2_penalty": 3.0,
}  # fmt: skip
SETTINGS = SHIPPED.model_copy(
    update={
        "verdict": SHIPPED.verdict.model_copy(update={"base_rate": 0.5}),
        "training": SHIPPED.training.model_copy(update=QUICK),
    }
)


def taught() -> tuple[Model, list[str]]:
    """A model fitted to a small fleet with the new fault and two old ones, and the labels of its homes.

    Two innocent cases are called by name, so that there is something to tell apart.
    """
    folder = ROOT / "lessons"
    folder.mkdir()
    known = FleetSpec(
        sites=240, days=4, minutes=60, seed=5, fault_share=0.6, onset_share=0.0, hard_share=0.0,
        plain_share=0.0, register_gap_share=0.0, faults=(NEW, "reversed", "wrong_ratio"),
    )  # fmt: skip
    write_lake(known, folder / "lake")
    homes = labelled_lake(folder / "lake", folder, known.days, settings=SETTINGS)
    odd = np.where(homes.fault == SOUND, np.arange(homes.fault.size) % 3, 2)
    words = pl.Series(np.array(["vacant", "snow", ""])[odd])
    named = Labelled(homes.sites, homes.signals, homes.truth.with_columns(hard_negative=words))
    model = fit_model([Fleet("streets", named, measure_probes(homes.signals))], SETTINGS, 1, recipe={})
    save_model(model, ROOT / "model")
    return model, sorted(set(homes.fault.tolist()))


def spec(sites: int, days: int, seed: int) -> FleetSpec:
    """A fleet in which half the homes have the new fault and nothing else is odd."""
    return FleetSpec(
        sites=sites, days=days, minutes=60, seed=seed, fault_share=0.5, onset_share=0.0, hard_share=0.0,
        plain_share=0.0, register_gap_share=0.0, faults=(NEW,),
    )  # fmt: skip


def lake() -> tuple[Path, pl.DataFrame]:
    """Other homes of that kind; two visits report the new fault, one misspelt."""
    out = ROOT / "lake"
    write_lake(spec(12, 4, seed=2), out)
    first = pl.read_csv(out / "sites.csv", try_parse_dates=True).sort("commissioned_on").row(0, named=True)
    visit = f"{first['site_id']},{first['commissioned_on']},{first['crew_id']}"
    head = (out / "visits.csv").read_text().splitlines()[0]
    rows = [head, f"V1,{visit},{NEW},l1,false,", f"V2,{visit},{NEW}e,l1,false,"]
    (out / "visits.csv").write_text("\n".join(rows) + "\n")
    return out, pl.read_csv(out / "truth.csv")


def put_right() -> float:
    """The largest error [W] of past data after the inverse."""
    power = np.linspace(100, 3000, 50)
    circuit = Circuit.from_powers(np.array([power, power]), power)
    sound = Wiring.sound()
    faulty = measure(circuit, CATALOGUE[NEW].effect(sound, circuit, "l1", np.random.default_rng(0)))
    names = ("l1_w", "l2_w", "pv_w", "l1_var", "l2_var")
    frame = pl.DataFrame({name: getattr(faulty, name) for name in names}).with_columns(l1_v=120.0, l2_v=120.0)
    inverse = CATALOGUE[NEW].inverse
    assert inverse is not None
    fixed = frame.select(inverse(Channels.columns(), Repair("l1")).l1_w.alias("l1_w"))
    return float(np.abs(fixed["l1_w"].to_numpy() - measure(circuit, sound).l1_w).max())


def main() -> None:
    """Go through the rooms."""
    model, labels = taught()
    root, truth = lake()
    out = ROOT / "out"
    result = run_night(NightRequest(root, out, model=ROOT / "model"), SETTINGS)
    scores = pl.read_parquet(result.folder / "site_scores.parquet")
    listed = pl.read_parquet(result.folder / "revisit_list.parquet")
    weights = pl.read_parquet(result.folder / "site_weight.parquet")
    sick = truth.filter(pl.col("fault") == NEW)["site_id"].to_list()
    likely = scores.filter(pl.col("site_id").is_in(sick)).sort("likelihood")["site_id"][-1]
    registers = read_registers(open_lake(root), result.as_of)
    (home,) = read_night(out).homes([likely])
    sheet = build_order(home, CATALOGUE, SETTINGS)
    pages = [path.read_text(encoding="utf-8") for path in sorted((result.folder / "report").rglob("*.html"))]
    told = {
        "sick": sick,
        "true_leg": dict(truth.filter(pl.col("fault") == NEW).select("site_id", "leg").iter_rows()),
        "listed": likely,
        "labels": labels,
        "learned": list(model.faults),
        "suspected": dict(scores.select("site_id", "suspected_fault").iter_rows()),
        "likelihood": {
            site: shares[NEW] for site, shares in scores.select("site_id", "fault_likelihoods").iter_rows()
        },
        "leg": dict(scores.select("site_id", "leg").iter_rows()),
        "evidence": dict(scores.select("site_id", "evidence").iter_rows()),
        "weights": weights.filter(pl.col("site_id") == likely).select("probe", "state", "sentence").rows(),
        "order": listed.filter(pl.col("site_id") == likely).drop("since").to_dicts(),
        "card": vars(fault_cards()[NEW]),
        "pictures": [picture.title for picture in sheet.pictures],
        "page": read_home(likely, out, SETTINGS, model_folder=ROOT / "model").text(),
        "pages": [page for page in pages if NEW.replace("_", " ") in page],
        "visits": registers.visits["found"].to_list(),
        "refused": registers.rejects["reason"].to_list(),
        "off_by_w": put_right(),
        "top_faults": pl.read_parquet(result.folder / "crew_quality.parquet")["top_fault"].to_list(),
    }
    sys.stdout.write(json.dumps(told, default=str))


main()
