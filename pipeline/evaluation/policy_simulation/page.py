"""Writes what came of a rehearsal: a page for people, one CSV a table, the pictures as SVG."""

from __future__ import annotations

import json
from pathlib import Path

from pipeline.evaluation import result_pages
from pipeline.evaluation.policy_simulation import picture
from pipeline.evaluation.policy_simulation.tally import MAIN, Tally
from pipeline.evaluation.result_pages import put_picture
from pipeline.storage.publish import write_csv

PICTURES = (
    ("faulty_left", "faulty_left", "faulty homes", "Faulty homes left",
     "Homes with a fault at the end of each day. New faults keep beginning, so no line stays at zero."),
    ("misreported", "wrong_mwh_so_far", "MWh misreported since the first night", "Energy misreported",
     "What both consumption channels read away from the twin without faults, summed over all homes and days so far."),
    ("wasted", "wasted_so_far", "visits to a home with nothing wrong", "Visits wasted",
     "Truck visits so far that found a home with nothing wrong."),
)  # fmt: skip


def write_tally(tally: Tally, out: Path) -> Path:
    """Write index.html, *.csv, rehearsal's numbers as JSON and the pictures into `out`; return the page.

    The page opens from disk and never reaches for the network. Files already there are overwritten.

    Raises
    ------
    OSError
        The folder or a file in it cannot be written.
    """
    out.mkdir(parents=True, exist_ok=True)
    for table in tally.tables:
        write_csv(table.frame, out / f"{table.name}.csv")
    write_csv(tally.days, out / "days.csv")
    write_csv(tally.attempts, out / "visits.csv")
    write_csv(tally.fixes, out / "fixes.csv")
    numbers = {
        "told": tally.told, "asked": tally.asked,
        "tables": {table.name: table.frame.to_dicts() for table in tally.tables},
    }  # fmt: skip
    (out / "tally.json").write_text(json.dumps(numbers, indent=1) + "\n", encoding="utf-8")
    days = tally.days.with_columns((tally.days["wrong_kwh_so_far"] / 1000).alias("wrong_mwh_so_far"))
    shown = []
    for name, column, axis, title, caption in PICTURES:
        put_picture(out, name, picture.over_time(days, column, axis))
        shown.append({"name": name, "alt": f"{title}, one line a policy", "caption": caption, "title": title})
    put_picture(out, "settled", picture.settled_by(tally.fixes))
    shown.append({
        "name": "settled", "title": "How soon a fix is settled",
        "alt": "Share of fixes settled by nights since the visit",
        "caption": f"Fixes of {MAIN} that the data had proved right or shown not to have worked, so many nights after.",
    })  # fmt: skip
    page = out / "index.html"
    page.write_text(
        result_pages.page(
            "rehearsal.html",
            "pipeline.evaluation.policy_simulation",
            tally.tables,
            told=tally.told,
            pictures=shown,
        ),
        encoding="utf-8",
    )
    return page
