"""The command `nightclamp`: exit status 0 done, 1 failed and nothing published, 2 wrong use or input."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated

import cyclopts
import polars as pl
from cyclopts import App, Parameter
from rich.console import Console

from pipeline import __version__
from pipeline.errors import InputError, NightclampError
from pipeline.settings import load_settings

OUT = Path("nightclamp-out")
app = App(
    name="nightclamp",
    version=__version__,
    help="Finds CT install faults in the interval data of homes with solar.",
)
SettingsFile = Annotated[
    Path | None, Parameter(name="--settings", help="TOML file that overrides shipped settings")
]


@app.command
def nightly(
    lake: Path,
    *,
    out: Path = OUT,
    as_of: date | None = None,
    window_days: int = 30,
    model: Path | None = None,
    rows: int = 15,
    settings: SettingsFile = None,
) -> None:
    """Read the lake's new days, score every home and publish the ranked revisit list.

    Parameters
    ----------
    lake
        Folder with sites, crews, visits and intervals/date=YYYY-MM-DD/.
    out
        Where runs, `latest` and the store of day statistics are kept.
    as_of
        Last whole UTC day to use; the newest in the lake if not given.
    window_days
        How many days up to then speak.
    model
        Folder of a model made by `nightclamp train`. If not given: OUT/model, if `nightclamp train LAKE` has put one
        there that beat the shipped one; else the shipped one.
    rows
        How many rows of the list to print.
    """
    from pipeline.night import run_night
    from pipeline.plan import NightRequest
    from pipeline.screen import show_night, teller

    console = Console()
    tell = teller(console)
    try:
        result = run_night(
            NightRequest(lake, out, as_of, window_days, model), load_settings(settings), tell=tell
        )
    finally:
        if console.is_terminal:
            tell("")
    show_night(console, result, rows)


@app.command
def check(lake: Path, *, all_days: bool = False, settings: SettingsFile = None) -> None:
    """Say whether a lake is in contract, one line a problem; exit status 2 if it isn't.

    Parameters
    ----------
    lake
        The lake's folder.
    all_days
        Read every day, not only the newest.
    """
    from pipeline.check import check_lake
    from pipeline.lake import open_lake

    failed = 0
    for problem in check_lake(
        open_lake(lake), load_settings(settings), datetime.now(UTC).date(), all_days=all_days
    ):
        failed += problem.severity == "fail"
        hint = f" ({problem.hint})" if problem.hint else ""
        print(f"{problem.severity}: {problem.where}: {problem.what}{hint}")
    print(f"{lake}: {f'{failed} problems' if failed else 'in contract'}")
    if failed:
        sys.exit(2)


@app.command
def explain(site: str, *, out: Path = OUT, model: Path | None = None, settings: SettingsFile = None) -> None:
    """Tell one home's story and tonight's evidence in a page of text.

    Parameters
    ----------
    site
        The site_id.
    out
        The folder of the nightly run.
    model
        The model that `nightly` was given, if any.
    """
    from pipeline.explain import explain_home

    print(explain_home(site, out, load_settings(settings), model))


@app.command
def orders(*sites: str, out: Path = OUT, pdf: bool = False, settings: SettingsFile = None) -> None:
    """Write the work orders of listed homes, one printable page each, into OUT/orders.

    Parameters
    ----------
    sites
        Homes of the list; the first of it if none is given.
    out
        The folder of the nightly run.
    pdf
        Write a PDF beside each page (needs the extra `nightclamp[pdf]` and Pango).
    """
    from pipeline.workorder import write_orders

    write_orders(out, sites, load_settings(settings), as_pdf=pdf, tell=print)


@app.command
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

    if sample:
        if (out / "intervals").exists():
            raise InputError(f"{out}: holds intervals already; choose an empty folder")
        write_sample_lake(out)
    else:
        spec = FleetSpec(sites, days, minutes, seed, fault_share=fault_share)
        write_lake(spec if end is None else replace(spec, end=end), out, workers=workers)
    print(f"{out}: written, the truth in {out / 'truth.csv'}")


@app.command
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
    from pipeline import classifier, contest
    from pipeline.faults import CATALOGUE
    from pipeline.model_choice import own_model_folder
    from pipeline.own_training import train_own
    from pipeline.training import train as make

    console = Console()

    def tell(line: str) -> None:
        console.print(line, highlight=False, markup=False, soft_wrap=True)

    if lake is not None:
        folder = own_model_folder(out or OUT)
        model = train_own(lake, out or OUT, CATALOGUE, load_settings(settings), seed, tell)
    else:
        folder = out or Path("nightclamp-model")
        model = make(CATALOGUE, load_settings(settings), seed, scale, workers, tell)
    classifier.save(model, folder)
    for line in contest.table(model.against_shipped) if model.against_shipped else ():
        tell(line)
    tell(f"model {model.model_id} in {folder}")


@app.command
def bench(
    *,
    homes: tuple[int, ...] = (1000, 10000),
    history_days: int = 30,
    minutes: int = 5,
    seed: int = 5,
    workers: int = 2,
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
    workers
        Processes to share the simulation.
    """
    from pipeline.bench import bench as time_fleet

    rows = [time_fleet(size, history_days, minutes, seed, workers, print) for size in homes]
    print(f"{'homes':>8} {'rows':>10} {'scan s':>8} {'night s':>8} {'ratio':>7} {'peak MB':>8}")
    for row in rows:
        print(
            f"{row.homes:8d} {row.rows:10d} {row.scan_s:8.3f} {row.night_s:8.2f} {row.ratio:7.1f} {row.peak_mb:8.0f}"
        )


app.command(  # loaded when it is asked for
    "pipeline.dispatch.command:dispatch",
    name="dispatch",
    help="Plan which truck goes to which homes, in which order, and say why the rest waits.",
)
app.command(
    "pipeline.proof.command:proof",
    name="proof",
    help="Measure the likelihoods on fleets unlike the training one and on real measured homes.",
)


def main(tokens: list[str] | None = None) -> None:
    """Run the command line (or these words of it); a known error is one line on stderr."""
    try:
        app(sys.argv[1:] if tokens is None else tokens, exit_on_error=False, print_error=False)
    except cyclopts.CycloptsError as error:
        print(f"nightclamp: {' '.join(str(error).split())}", file=sys.stderr)
        sys.exit(2)
    except NightclampError as error:
        print(f"nightclamp: {error}", file=sys.stderr)
        sys.exit(error.exit_status)
    except KeyboardInterrupt:
        print("nightclamp: stopped; nothing was published", file=sys.stderr)
        sys.exit(1)
    except (OSError, MemoryError, pl.exceptions.PolarsError) as error:
        print(
            f"nightclamp: {type(error).__name__}: {' '.join(str(error).split())[:300]}; nothing was published",
            file=sys.stderr,
        )
        sys.exit(1)


if __name__ == "__main__":
    main()
