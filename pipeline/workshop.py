"""The commands of whoever makes fleets and models: simulate, train, bench; pipeline.cli loads them when asked for."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

from rich.console import Console

from pipeline.errors import InputError
from pipeline.object_url import object_url
from pipeline.options import OUT, SettingsFile
from pipeline.settings import load_settings


def simulate(
    out: Path,
    *,
    sites: int = 200,
    days: int = 30,
    minutes: int = 15,
    seed: int = 1,
    fault_share: float = 0.05,
    end: date | None = None,
    workers: int = 1,
    sample: bool = False,
) -> None:
    """Make a lake of invented homes, with the truth in truth.csv.

    Parameters
    ----------
    out
        Empty folder for the lake.
    sites
        How many homes.
    days
        How many UTC days.
    minutes
        Interval length: 1, 5, 15, 30 or 60.
    seed
        The same seed gives the same bytes.
    fault_share
        Share of homes with a fault.
    end
        Last day; 2026-06-14 if not given.
    workers
        Processes to share the work.
    sample
        Make the project's sample lake instead; the other options are not used.
    """
    from pipeline.simulate.lake import write_lake
    from pipeline.simulate.sample import write_sample_lake
    from pipeline.simulate.spec import FleetSpec

    if object_url(out):
        raise InputError(f"{object_url(out)}: a lake is made in a folder; copy it from there")
    if sample:
        if (out / "intervals").exists():
            raise InputError(f"{out}: holds intervals already; choose an empty folder")
        write_sample_lake(out)
    else:
        spec = FleetSpec(sites, days, minutes, seed, fault_share=fault_share)
        write_lake(spec if end is None else replace(spec, end=end), out, workers=workers)
    print(f"{out}: written, the truth in {out / 'truth.csv'}")


def train(
    lake: Path | None = None,
    *,
    out: Path | None = None,
    seed: int = 7,
    scale: float = 1.0,
    workers: int = 1,
    settings: SettingsFile = None,
) -> None:
    """Train the classifier on a lake's own homes, or without LAKE on simulated fleets as the shipped one.

    With LAKE, homes that look sound get every fault injected and visits count as labels; the shipped model is moved
    as far as they ask for, and both are compared on held-out homes. `nightly` takes OUT/model if it won. Without,
    seed 7 and scale 1 give the shipped model.

    Parameters
    ----------
    lake
        Folder of the fleet to learn from.
    out
        With LAKE the OUT of `nightly` (nightclamp-out), where OUT/model is written; without, the folder of the model
        (nightclamp-model).
    seed
        The same seed, scale and version give the same weights.
    scale
        Multiplies the number of simulated homes.
    workers
        Processes to share the simulation.
    """
    from pipeline.faults import CATALOGUE
    from pipeline.learning import model_comparison
    from pipeline.learning.train_fleet import train_own
    from pipeline.learning.training import train as make
    from pipeline.out_place import keep_model
    from pipeline.scoring.model_file import save_model

    console = Console()

    def tell(line: str) -> None:
        console.print(line, highlight=False, markup=False, soft_wrap=True)

    if lake is not None:
        own = load_settings(settings)
        model = train_own(lake, out or OUT, CATALOGUE, own, seed, tell)
        folder = keep_model(out or OUT, own, lambda folder: save_model(model, folder))
    else:
        folder = str(out or Path("nightclamp-model"))
        model = make(CATALOGUE, load_settings(settings), seed, scale, workers, tell)
        save_model(model, Path(folder))
    for line in model_comparison.table(model.against_shipped) if model.against_shipped else ():
        tell(line)
    tell(f"model {model.model_id} in {folder}")


def bench(
    *,
    homes: tuple[int, ...] = (1000, 10_000, 100_000),
    history_days: int = 30,
    minutes: int = 5,
    seed: int = 5,
    distinct: int = 1000,
    pandas_homes: int = 10_000,
    workers: int = 2,
    settings: SettingsFile = None,
) -> None:
    """Time one new night on top of a store, beside a bare scan of the same files in the same run.

    Parameters
    ----------
    homes
        Fleet sizes.
    history_days
        Days already in the store.
    minutes
        Interval length.
    seed
        Seed of the fleets.
    distinct
        Homes that are simulated; bigger fleets are copies of them under new ids.
    pandas_homes
        Largest fleet whose day is timed in pandas too (needs pandas, extra `nightclamp[dev]`); 0: none.
    workers
        Processes to share the simulation.
    """
    from pipeline.bench import BenchRequest, exponent
    from pipeline.bench import bench as time_fleets

    request = BenchRequest(homes, history_days, minutes, seed, distinct, pandas_homes, workers)
    rows = time_fleets(request, load_settings(settings), print)
    print(
        f"{'homes':>8} {'rows':>10} {'scan s':>8} {'night s':>8} {'ratio':>7} {'8 scans + 20 s':>14} {'rows/s':>10}"
        f" {'CPU s':>7} {'peak MB':>8} {'pandas s':>9} {'over intake':>11}"
    )
    for row in rows:
        pandas = "-" if row.pandas_s is None else f"{row.pandas_s:.1f}"
        over = "-" if row.pandas_ratio is None else f"{row.pandas_ratio:.1f}"
        print(
            f"{row.homes:8d} {row.rows:10d} {row.scan_s:8.3f} {row.night_s:8.2f} {row.ratio:7.1f}"
            f" {8 * row.scan_s + 20:14.1f} {row.rows / row.night_s:10.0f} {row.cpu_s:7.1f} {row.peak_mb:8.0f}"
            f" {pandas:>9} {over:>11}"
        )
    for row in rows:
        print(
            f"{row.homes} homes, seconds a step: "
            + ", ".join(f"{name} {s:.1f}" for name, s in row.steps.items())
        )
    grows = exponent(rows)
    if grows is not None:
        print(f"a night's seconds grow as homes^{grows:.2f}")
