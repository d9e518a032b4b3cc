"""The command `nightclamp bench`."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from pipeline.commands.options import (
    MOST_HOMES,
    Days,
    Homes,
    OutputConsole,
    Seed,
    ServiceName,
    SettingsFile,
    Workers,
    within,
)
from pipeline.core.settings import load_settings


def bench(
    *,
    homes: Annotated[tuple[int, ...], Parameter(validator=within(1, MOST_HOMES))] = (1000, 10_000, 100_000),
    history_days: Days = 30,
    minutes: int = 5,
    seed: Seed = 5,
    distinct: Homes = 1000,
    oracle_homes: Annotated[int, Parameter(validator=within(0, MOST_HOMES))] = 10_000,
    workers: Workers = 2,
    service: ServiceName | None = None,
    correct_days: Annotated[int, Parameter(validator=within(0, 3650))] = 0,
    settings: SettingsFile = None,
) -> None:
    """Time one new night on top of a store, or past readings put right, beside a bare scan of the same files.

    Example: `nightclamp bench --homes 1000 --homes 10000 --oracle-homes 0`

    Parameters
    ----------
    homes
        Fleet sizes [homes].
    history_days
        Days already in the store [days].
    minutes
        Interval length [min].
    seed
        Seed of the fleets.
    distinct
        Homes that are simulated; bigger fleets are copies of them under new ids.
    oracle_homes
        Largest fleet whose day is worked out by the tests' SQL too (of a checkout); 0: none.
    workers
        Processes to share the simulation.
    service
        What the utility brings to every home; what North American homes have, most 120/240, if not given.
    correct_days
        Time `nightclamp correct` over so many days instead [days]; 0: time nights.
    """
    from pipeline.commands.progress import progress
    from pipeline.evaluation.benchmark import BenchmarkRequest, growth_exponent, time_fleets

    if correct_days:
        show_corrections(homes, correct_days, minutes=minutes, seed=seed, distinct=distinct, workers=workers)
        return
    request = BenchmarkRequest(homes, history_days, minutes, seed, distinct, oracle_homes, workers, service)
    with progress(OutputConsole()) as tell:
        rows = time_fleets(request, load_settings(settings), tell)
    print(
        f"{'homes':>8} {'rows':>10} {'scan s':>8} {'night s':>8} {'ratio':>7} {'8 scans + 20 s':>14} {'rows/s':>10}"
        f" {'CPU s':>7} {'peak MB':>8} {'oracle s':>9} {'over intake':>11}"
    )
    for row in rows:
        oracle = "-" if row.oracle_s is None else f"{row.oracle_s:.1f}"
        over = "-" if row.oracle_ratio is None else f"{row.oracle_ratio:.1f}"
        print(
            f"{row.homes:8d} {row.rows:10d} {row.scan_s:8.3f} {row.night_s:8.2f} {row.ratio:7.1f}"
            f" {8 * row.scan_s + 20:14.1f} {row.rows / row.night_s:10.0f} {row.cpu_s:7.1f} {row.peak_mb:8.0f}"
            f" {oracle:>9} {over:>11}"
        )
    for row in rows:
        steps = ", ".join(f"{name} {seconds:.1f}" for name, seconds in row.steps.items())
        print(f"{row.homes} homes, seconds a step: {steps}")
    exponent = growth_exponent(rows)
    if exponent is not None:
        print(f"a night's seconds grow as homes^{exponent:.2f}")


def show_corrections(
    homes: tuple[int, ...], days: int, *, minutes: int, seed: int, distinct: int, workers: int
) -> None:
    """Print how long past readings of fleets of these sizes take to put right.

    Parameters
    ----------
    homes, minutes, seed, distinct, workers
        As `bench` takes them.
    days
        Days of the lake.
    """
    from pipeline.commands.progress import progress
    from pipeline.evaluation.benchmark_correction import CorrectionBenchmark, time_correction

    rows = []
    with progress(OutputConsole()) as tell:
        for size in homes:
            request = CorrectionBenchmark(size, days, minutes, seed, min(distinct, size), workers)
            rows.append(time_correction(request, tell))
    print(
        f"{'homes':>8} {'days':>5} {'rows':>11} {'corrected homes':>15} {'rows':>10} {'scan s':>8} {'correct s':>9}"
        f" {'6 scans + 20 s':>14} {'again s':>8} {'CPU s':>7} {'peak MB':>8}"
    )
    for row in rows:
        share = f"{row.corrected_homes} ({row.corrected_homes / row.homes:.1%})"
        print(
            f"{row.homes:8d} {days:5d} {row.rows:11d} {share:>15} {row.corrected_rows:10d} {row.scan_s:8.2f}"
            f" {row.correct_s:9.2f} {6 * row.scan_s + 20:14.1f} {row.again_s:8.2f} {row.cpu_s:7.1f} {row.peak_mb:8.0f}"
        )
    for row in rows:
        steps = ", ".join(f"{name} {seconds:.1f}" for name, seconds in row.steps.items())
        print(f"{row.homes} homes, seconds a step: {steps}")
