"""Trains the shipped classifier on fleets of four families as unlike each other as could be made.

Each family is left out in turn to see what a new fleet would get, and calibrates the likelihoods by that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.core.settings import Settings
from pipeline.learning.labelled import Labelled, labelled_lake
from pipeline.learning.training import Fleet, fit_model
from pipeline.probes.line_rows import TWO
from pipeline.probes.measured import measure
from pipeline.scoring.model import Model
from pipeline.simulate.families.fleet import write_unlike_lake
from pipeline.simulate.families.spec import STREETS, UnlikeSpec
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec


@dataclass(frozen=True)
class Lesson:
    """A fleet to learn from: its `family`, size, window and season, and its homes' `service` where all have one."""

    family: str
    sites: int
    days: int
    minutes: int
    end: date
    service: str = ""


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
_EUROPE, _WYE = "230/400", "120/208 three-phase"
# Fewer homes than of two legs: what a line or a pair of lines shows is what a leg or two legs show.
LESSONS_OF_THREE_LINES = (
    Lesson(STREETS, 450, 28, 15, date(2025, 6, 20), _EUROPE),
    Lesson(STREETS, 350, 28, 15, date(2025, 12, 21), _WYE),
    Lesson(STREETS, 200, 28, 60, date(2026, 3, 31), _EUROPE),
    Lesson(STREETS, 200, 5, 15, date(2026, 7, 4), _WYE),
    Lesson("crest", 120, 21, 15, date(2026, 6, 14), _WYE),
    Lesson("crest", 120, 21, 15, date(2025, 12, 30), _EUROPE),
    Lesson("crest", 80, 21, 60, date(2026, 4, 14), _WYE),
    Lesson("weather", 220, 28, 15, date(2026, 7, 2), _EUROPE),
    Lesson("weather", 220, 28, 15, date(2026, 1, 20), _WYE),
    Lesson("weather", 120, 5, 15, date(2025, 8, 20), _EUROPE),
    Lesson("measured", 150, 28, 15, date(2025, 7, 10), _WYE),
    Lesson("measured", 150, 28, 15, date(2025, 12, 10), _EUROPE),
    Lesson("measured", 100, 28, 60, date(2026, 3, 20), _EUROPE),
)

ROUNDS = ("rounds", "which_rounds", "leg_rounds", "innocent_rounds")
FEWER_ROUNDS = 2  # of three lines: half as many trees for a tenth of the homes


def labelled_fleet(
    lesson: Lesson, seed: int, scale: float, *, settings: Settings, workers: int = 1
) -> Labelled:
    """Return the homes of the lesson's fleet with their truth: simulated, and run through the pipeline's own steps.

    Parameters
    ----------
    lesson, scale
        Which fleet; the number of homes is multiplied by scale, sixty at the least.
    seed
        The same seed, scale and version give the same homes.
    settings, workers
        Shares of faults and hard cases are those of [training]; processes that write the fleet.
    """
    spec = {
        "sites": max(60, round(lesson.sites * scale)), "days": lesson.days, "minutes": lesson.minutes, "seed": seed,
        "end": lesson.end, "fault_share": settings.training.fault_share, "hard_share": settings.training.hard_share,
    }  # fmt: skip
    if lesson.service:
        spec["service"] = lesson.service
    with TemporaryDirectory(prefix="nightclamp-") as folder:
        root = Path(folder)
        if lesson.family == STREETS:
            write_lake(FleetSpec(**spec), root / "lake", workers=workers)  # type: ignore[arg-type]
        else:
            unlike = UnlikeSpec(**spec, family=lesson.family)  # type: ignore[arg-type]
            write_unlike_lake(unlike, root / "lake", workers)
        return labelled_lake(root / "lake", root, lesson.days, settings=settings)


def _with_fewer_rounds(settings: Settings) -> Settings:
    training = settings.training
    fewer = {name: max(1, getattr(training, name) // FEWER_ROUNDS) for name in ROUNDS}
    return settings.model_copy(update={"training": training.model_copy(update=fewer)})


def train(
    settings: Settings,
    seed: int,
    *,
    scale: float = 1.0,
    workers: int = 1,
    line_count: int = TWO,
    tell: Callable[[str], None] = lambda line: None,
) -> Model:
    """Return the model of this seed; the same seed, scale and version give the same weights on the same machine.

    Parameters
    ----------
    settings
        Of the night; [training] has sizes and shares.
    seed, scale
        Of the homes and of what is drawn from them; scale multiplies the number of homes of each lesson.
    workers, line_count, tell
        Processes that write a fleet; 3, or 2 for homes of up to two lines; called with lines of progress.
    """
    lessons, fleets = LESSONS, []
    if line_count != TWO:
        lessons, settings = LESSONS_OF_THREE_LINES, _with_fewer_rounds(settings)
    for number, lesson in enumerate(lessons):
        tell(
            f"fleet {number + 1} of {len(lessons)}: {round(lesson.sites * scale)} homes ({lesson.family}"
            f"{', ' if lesson.service else ''}{lesson.service}), {lesson.days} days at {lesson.minutes} minutes"
        )
        homes = labelled_fleet(lesson, seed * 1000 + number, scale, settings=settings, workers=workers)
        homes = homes.with_lines(line_count)
        fleets.append(Fleet(lesson.family, homes, measure(homes.signals)))
    recipe = {
        "seed": seed,
        "scale": scale,
        "fleets": [{**asdict(lesson), "end": str(lesson.end)} for lesson in lessons],
        "training": settings.training.model_dump(),
    }
    return fit_model(fleets, settings, seed, recipe=recipe, tell=tell)
