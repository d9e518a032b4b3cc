"""A crew's own page: its sums are those of the crews' table, its rows those that weigh most, whatever an id holds."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
import pytest
from example import example_night
from example_crews import HOSTILE, crew_tables
from page import Page

from pipeline.core.settings import load_settings
from pipeline.faults.fault_text import fault_title
from pipeline.report.crew_homes_page import KINDS, LABELS, LIKELY, REST, crew_contexts, describe_homes
from pipeline.report.names import page_name

SETTINGS = load_settings().crews
TABLES = crew_tables()
SCORES = example_night().site_scores


@pytest.fixture(scope="module")
def page(folder: Path) -> Page:
    return Page(folder / "crew" / page_name("crew-0"))


def labelled(page: Page, label: str) -> list[str]:
    return [cell.text for cell in page.all("td", **{"data-label": label})]


def test_each_install_is_of_one_kind() -> None:
    homes = TABLES["crew_home"]

    of_kinds = homes.select(
        pl.sum_horizontal(is_kind.fill_null(False).cast(pl.Int8) for is_kind in KINDS.values())
    )

    assert of_kinds.to_series().unique().to_list() == [1]


def test_the_sums_are_those_of_the_crews_table() -> None:
    quality = {row["crew_id"]: row for row in TABLES["crew_quality"].iter_rows(named=True)}

    contexts = dict(crew_contexts(TABLES, SCORES, SETTINGS))

    assert set(contexts) == set(quality)
    for crew, context in contexts.items():
        row, kinds = quality[crew], {kind["name"]: kind for kind in context["kinds"]}
        assert kinds["all installs"]["homes"] == row["installs"]
        faults = row["confirmed_faults"] + row["expected_faults"]
        assert kinds["all installs"]["counts"] == pytest.approx(faults)
        wrong = kinds.get("visited: fault from the first day", {"homes": 0})
        assert wrong["homes"] == row["confirmed_faults"]
        assert sum(kind["homes"] for name, kind in kinds.items() if name != "all installs") == row["installs"]


def test_listed_and_left_out_homes_add_up(page: Page) -> None:
    rows = [row for row in page.all("tr") if "data-site" in row.attributes]
    (all_faults,) = (row.text for row in page.all("tr") if row.text.startswith("all installs"))
    notes = " ".join(note.text for note in page.all("p", **{"class": "note"}))
    described = describe_homes(TABLES["crew_home"], SCORES).filter(pl.col("crew_id") == "crew-0")
    rest = described.filter((pl.col("kind") == REST) & pl.col("is_heard"))

    assert page.mistakes == []
    assert len(rows) == described.filter(pl.col("kind") != REST).height == 13
    assert f"Not listed: {rest.height} homes with no fault found or less than 10 % likely" in notes
    (counts,) = re.findall(r"which count as (\S+) faults; 2 homes without data, not counted\.", notes)
    assert float(counts) == pytest.approx(rest["counts"].sum(), abs=0.051)
    assert "11511.4" in all_faults  # 115 homes, 7 found and 4.4 expected


def test_rows_come_by_how_they_count_and_name_a_fault_only_where_one_is_possible(page: Page) -> None:
    kinds = labelled(page, "How it counts")
    order = [*LABELS.values()]

    assert kinds == sorted(kinds, key=order.index)
    assert labelled(page, "Counts as faults")[:9] == ["1.00"] * 7 + ["0.80", "0.30"]
    assert labelled(page, "Fault")[0] == f"{fault_title('reversed')}, L1"
    assert (
        labelled(page, "Fault")[7] == f"{fault_title('reversed')}, L2"
    )  # likeliest, by the home's own scores
    assert labelled(page, "Likelihood")[7] == "72 % this fault, 80 % any fault"
    assert labelled(page, "Fault")[-3:] == ["–"] * 3
    assert labelled(page, "Likelihood")[-3:] == ["5 % any fault"] * 3
    assert LIKELY > 0.05


def test_homes_link_to_their_page_and_hostile_ids_stay_text(page: Page, folder: Path) -> None:
    links = {link.text: link.attributes["href"] for link in page.all("a")}

    assert links["MH-20417"] == f"../home/{page_name('MH-20417')}"
    assert links[HOSTILE] == f"../home/{page_name(HOSTILE)}"
    assert "<script>alert" not in page.path.read_text(encoding="utf-8")


def test_a_long_crew_is_cut_and_says_so() -> None:
    few = SETTINGS.model_copy(update={"crew_homes": 4})

    context = dict(crew_contexts(TABLES, SCORES, few))["crew-0"]

    assert len(context["homes"]) == 4
    assert context["left_out"].startswith("9 further homes with a fault or unproven: see crew_home.parquet.")
