"""Tables about four crews for the report's tests: one stands out, one is small, one is new, one has a hostile name."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.crews.crew_quality import SCHEMA as QUALITY
from pipeline.crews.homes import SCHEMA as HOME
from pipeline.crews.lessons import SCHEMA as LESSON
from pipeline.crews.tables import CHANGE
from pipeline.crews.trainings import SAME, TOO_FEW
from pipeline.crews.trainings import SCHEMA as TRAINING

HOSTILE_NAME = "<b>Cove</b>"
HOSTILE = "<script>alert('x')</script>\"&../../etc\u2028passwd"  # a site_id
CREWS = (("crew-0", "Ada's"), ("crew-1", "Birch"), ("crew-2", HOSTILE_NAME), ("crew-3", None))


def quality() -> pl.DataFrame:
    """Table crew_quality: rates 0.16, 0.05, 0.07 of 110, 80 and 12 judged installs; crew-3 has none."""
    rows = []
    for (crew, name), judged, rate, wide in zip(
        CREWS, (110, 80, 12, 0), (0.16, 0.05, 0.07, None), (0.06, 0.04, 0.09, 0.0), strict=True
    ):
        low, high = (None, None) if rate is None else (max(0.0, rate - wide), rate + wide)
        rows.append(
            {
                "crew_id": crew, "crew_name": name, "installs": judged + 5, "heard": judged + 3 * (judged > 0),
                "judged": judged,
                "visited": judged // 10, "confirmed_faults": judged // 14, "expected_faults": judged * 0.04,
                "expected_low": 1.0, "expected_high": 5.0, "later_faults": 1.0,
                "observed_rate": 0.6 if judged else None,
                "observed_low": 0.3, "observed_high": 0.85,
                "rate": rate, "rate_low": low, "rate_high": high, "fleet_rate": 0.09,
                "shrunk_rate": rate, "shrunk_low": low, "shrunk_high": high, "case_mix_faults": judged * 0.09,
                "ratio": rate and rate / 0.09, "ratio_low": low and low / 0.09, "ratio_high": high and high / 0.09,
                "fair_rate": rate, "fair_low": low, "fair_high": high,
                "worth_installs": judged * 0.8, "worth_rate": rate, "p_value": 0.001 if crew == "crew-0" else 0.4,
                "q_value": 0.002 if crew == "crew-0" else 0.4, "is_outside": crew == "crew-0", "seen_from": 2.7,
                "stands_out": "worse" if crew == "crew-0" else None, "is_ranked": judged >= 20,
                "rank": {"crew-0": 2, "crew-1": 1}.get(crew), "top_fault": "reversed" if judged else None,
            }
        )  # fmt: skip
    return pl.DataFrame(rows, schema=QUALITY)


def homes() -> pl.DataFrame:
    """Table crew_home whose counts are those of `quality`: of each crew 3 homes are unproven, and some have no data.

    The first home found wrong, the first likely one and the first unproven one of crew-0 have ids of the example night.
    """
    rows = []
    for row in quality().iter_rows(named=True):
        crew, judged, visited = row["crew_id"], row["judged"], row["visited"]
        found = row["confirmed_faults"]
        kinds = (
            ["wrong"] * found + ["late", "sound"][: visited - found] + ["sound"] * max(0, visited - found - 2)
        )
        likely = [0.8, 0.3] if judged >= 80 else []
        unproven = [0.05] * (row["heard"] - judged)
        least = judged - visited - len(likely)
        rest = row["expected_faults"] - sum(likely) - sum(unproven)
        chances = likely + [rest / max(least, 1)] * least + unproven
        ids = {"wrong": "MH-20417", "likely": HOSTILE, "unproven": "new-3"} if crew == "crew-0" else {}
        for kind in kinds:
            is_wrong = kind != "sound"
            rows.append(
                {
                    "site_id": ids.pop(kind, f"{crew}/{len(rows):03d}"),
                    "crew_id": crew,
                    "is_visited": True,
                    "visited_on": date(2026, 5, 2),
                    "found": "reversed" if is_wrong else "sound",
                    "leg": "l1" if is_wrong else None,
                    "is_wrong": kind == "wrong",
                    "is_judged": True,
                    "is_heard": True,
                    "chance": float(kind == "wrong"),
                    "later": float(kind == "late"),
                }
            )
        for place, chance in enumerate(chances):
            is_judged = place < judged - visited
            key = "unproven" if not is_judged else "likely" if chance > 0.5 else ""
            rows.append(
                {
                    "site_id": ids.pop(key, f"{crew}/{len(rows):03d}"),
                    "crew_id": crew,
                    "is_visited": False,
                    "is_judged": is_judged,
                    "is_heard": True,
                    "chance": chance,
                    "later": 0.0,
                }
            )
        rows += [
            {
                "site_id": f"{crew}/{len(rows) + place:03d}",
                "crew_id": crew,
                "is_visited": False,
                "is_judged": False,
                "is_heard": False,
                "later": 0.0,
            }
            for place in range(row["installs"] - row["heard"])
        ]
    day = date(2026, 3, 1)
    return pl.DataFrame(rows, schema=HOME | {"chance": pl.Float64}).with_columns(commissioned_on=day)


def crew_tables() -> dict[str, pl.DataFrame]:
    """Every table and view of the crews' page by name."""
    fault = {"ct_location": "bus_bar", "confirmed_faults": 2, "expected_faults": 1.5}
    return {
        "crew_quality": quality(),
        "crew_home": homes(),
        "crew_fault": pl.DataFrame(
            [
                {"crew_id": "crew-0", "fault": "reversed", **fault},
                {"crew_id": "crew-0", "fault": "legs_crossed", **fault, "confirmed_faults": 0},
                {"crew_id": "crew-1", "fault": "reversed", **fault, "expected_faults": 0.0},
            ]
        ),
        "crew_position": pl.DataFrame(
            [
                ("bus_bar", "reversed", 90, 4, 1.5),
                ("unknown", "dead", 12, 0, 0.6),
            ],
            schema=["ct_location", "fault", "heard", "confirmed_faults", "expected_faults"],
            orient="row",),
        "crew_month": pl.DataFrame(
            [
                {
                    "crew_id": crew, "month": f"2026-{month:02d}", "installs": 9, "heard": 8, "visited": 1,
                    "confirmed_faults": 1, "expected_faults": 0.4, "rate": 1.4 / 8,
                    "rate_low": 0.04, "rate_high": 0.5,
                }
                for crew in ("crew-0", "crew-1")
                for month in range(1, 6)
            ]
        ),
        "crew_ranking": quality().filter("is_ranked").select("rank", "crew_id"),
        "crew_lesson": pl.DataFrame(
            [
                (None, "reversed", 7.5, 5, 40.0, 300.0, 900.0, 0.5, "Read the sign aloud."),
                ("crew-0", "legs_crossed", 3.0, 2, 20.0, 120.0, 300.0, 0.6, "Mark both ends."),
            ],
            schema=LESSON,
            orient="row",
        ),
        "crew_training": pl.DataFrame(
            [
                ("crew-0", date(2026, 2, 1), None, 60, 50, 0.2, 0.1, 0.09, 0.09, 0.5, 0.2, 1.1, SAME),
                ("crew-2", date(2026, 4, 1), "dead", 6, 5, *[None] * 7, TOO_FEW),
            ],
            schema=TRAINING,
            orient="row",
        ),
        "crew_change": pl.DataFrame(
            [("crew-0", date(2026, 3, 2), 60, 50, 0.05, 0.3, 0.001)], schema=CHANGE, orient="row"
        ),
        "crew_fleet": pl.DataFrame(
            [
                {
                    "installs": 222, "heard": 211, "visited": 20, "visited_with_promise": 15,
                    "base_rate": 0.05, "fleet_rate": 0.09, "fleet_low": 0.06, "fleet_high": 0.13,
                    "weighted_rate": 0.1, "weighted_low": 0.07, "weighted_high": 0.13, "offset": -0.4,
                    "offset_sd": 0.2, "stretch": 0.9, "spread_alpha": 3.0, "spread_beta": 30.0, "phi": 3.2,
                    "phi_p_value": 0.01, "crews_compared": 3,
                }
            ]
        ),
    }  # fmt: skip
