"""The fleets that the shipped classifier learns from: four families as unlike each other as could be made.

Each family is left out in turn to see what a new fleet would get, and calibrates the likelihoods by that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.core.settings import Settings
from pipeline.learning.labelled import Labelled, labelled_lake
from pipeline.simulate.families.fleet import write_unlike_lake
from pipeline.simulate.families.spec import STREETS, UnlikeSpec
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec


@dataclass(frozen=True)
class Lesson:
    """A fleet to learn from: its `family`, size, window and season."""

    family: str
    sites: int
    days: int
    minutes: int
    end: date


LESSONS = (
    Lesson(STREETS, 2600, 28, 15, date(2025, 6, 20)),
    Lesson(STREETS, 2000, 28, 15, date(2025, 12, 21)),
    Lesson(STREETS, 1400, 28, 5, date(2026, 3, 31)),
    Lesson(STREETS, 1600, 30, 60, date(2026, 5, 10)),
    Lesson(STREETS, 1200, 14, 15, date(2025, 9, 15)),
    Lesson(STREETS, 1400, 4, 15, date(2026, 7, 4)),
    Lesson("crest", 1500, 30, 15, date(2026, 6, 14)),
    Lesson("crest", 1500, 30, 15, date(2025, 12, 30)),
    Lesson("crest", 1000, 30, 60, date(2026, 4, 14)),
    Lesson("crest", 800, 14, 5, date(2025, 9, 30)),
    Lesson("crest", 900, 5, 15, date(2026, 8, 14)),
    Lesson("weather", 2200, 30, 15, date(2026, 7, 2)),
    Lesson("weather", 1800, 30, 15, date(2026, 1, 20)),
    Lesson("weather", 1400, 30, 60, date(2025, 10, 10)),
    Lesson("weather", 900, 10, 5, date(2026, 5, 25)),
    Lesson("weather", 900, 4, 15, date(2025, 8, 20)),
    Lesson("measured", 2200, 30, 15, date(2025, 7, 10)),
    Lesson("measured", 1800, 30, 15, date(2025, 12, 10)),
    Lesson("measured", 1200, 30, 60, date(2026, 3, 20)),
    Lesson("measured", 900, 8, 15, date(2025, 9, 5)),
)


def families() -> tuple[str, ...]:
    """Return the families of LESSONS, sorted."""
    return tuple(sorted({lesson.family for lesson in LESSONS}))


def labelled_fleet(
    lesson: Lesson,
    seed: int,
    scale: float,
    settings: Settings,
    workers: int = 1,
    tell: Callable[[str], None] = lambda line: None,
) -> Labelled:
    """Simulate the lesson's fleet, run it through the pipeline's own steps and return its homes with the truth.

    Parameters
    ----------
    lesson
        Which fleet.
    seed
        The same seed, scale and version give the same homes.
    scale
        Multiplies the number of homes; sixty at the least.
    settings
        Shares of faults and hard cases are those of [training].
    workers
        Processes that write the fleet.
    tell
        Called with lines of progress.
    """
    own = settings.training
    sites = max(60, round(lesson.sites * scale))
    with TemporaryDirectory(prefix="nightclamp-") as folder:
        root = Path(folder)
        if lesson.family == STREETS:
            spec = FleetSpec(
                sites=sites, days=lesson.days, minutes=lesson.minutes, seed=seed, end=lesson.end,
                fault_share=own.fault_share, hard_share=own.hard_share,
            )  # fmt: skip
            write_lake(spec, root / "lake", workers=workers)
        else:
            unlike = UnlikeSpec(
                sites=sites, days=lesson.days, minutes=lesson.minutes, seed=seed, end=lesson.end,
                fault_share=own.fault_share, hard_share=own.hard_share, family=lesson.family,  # type: ignore[arg-type]
            )  # fmt: skip
            write_unlike_lake(unlike, root / "lake", workers, tell=tell)
        return labelled_lake(root / "lake", root, lesson.days, settings)
