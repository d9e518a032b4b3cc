"""The command `nightclamp train`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from pipeline.commands.options import OUT, OutputConsole, Seed, SettingsFile, Workers, within
from pipeline.core.settings import load_settings


def train(
    lake: Path | None = None,
    *,
    out: Path | None = None,
    seed: Seed = 7,
    scale: Annotated[float, Parameter(validator=within(0.001, 100.0))] = 1.0,
    lines: Literal[2, 3] | None = None,
    workers: Workers = 1,
    settings: SettingsFile = None,
) -> None:
    """Train the classifier on a lake's own homes, or without LAKE on simulated fleets as the shipped one.

    With LAKE, homes that look sound get every fault injected and visits count as labels; the shipped model is moved
    as far as they ask for, and both are compared on held-out homes. `nightly` takes OUT/model if it won. Without,
    seed 7 and scale 1 give the shipped model.

    Example: `nightclamp train LAKE --out OUT`

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
    lines
        Without LAKE: only the model of homes of up to two lines (2), or only that of three (3); else both.
    workers
        Processes to share the simulation.
    """
    from pipeline.commands.progress import progress
    from pipeline.learning.lessons import train as make
    from pipeline.learning.model_comparison import comparison_lines
    from pipeline.learning.train_fleet import train_own
    from pipeline.scoring.model_file import THREE_LINES, save_model
    from pipeline.storage.output_location import keep_model

    console, all_settings = OutputConsole(), load_settings(settings)
    with progress(console) as tell:
        if lake is not None:
            model = train_own(lake, out or OUT, all_settings, seed=seed, tell=tell)
            folder = keep_model(out or OUT, all_settings, lambda folder: save_model(model, folder))
        else:
            folder = str(out or Path("nightclamp-model"))
            models = {
                count: make(all_settings, seed, scale=scale, workers=workers, line_count=count, tell=tell)
                for count in ((lines,) if lines else (2, 3))
            }
            model = models[max(models)] if lines else replace(models[2], three_lines=models[3])
            save_model(model, Path(folder) / THREE_LINES if lines == 3 else Path(folder))
    told = comparison_lines(model.against_shipped) if model.against_shipped else ()
    for line in (*told, f"model {model.model_id} in {folder}"):
        console.print(line, highlight=False, markup=False, soft_wrap=True)
