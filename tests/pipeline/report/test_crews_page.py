"""The crews' page: rates with their intervals, no place for few installs, sentences with the night's numbers."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from example_crews import HOSTILE_NAME, crew_tables
from page import Page

from pipeline.core.settings import load_settings
from pipeline.report.crew_words import change_lines, dispersion, how_counted
from pipeline.report.crews_page import crews_context

SETTINGS = load_settings().crews
Fleet = dict[str, float | int | None]


@pytest.fixture(scope="module")
def page(folder: Path) -> Page:
    return Page(folder / "crews.html")


def fleet(**values: float | None) -> Fleet:
    return {**crew_tables()["crew_fleet"].row(0, named=True), **values}


def test_a_row_a_crew_with_every_number_labelled(page: Page) -> None:
    assert page.mistakes == []
    cells = [cell.attributes.get("data-label") for cell in page.all("td")]
    assert None not in cells
    assert cells.count("Fair rate") == 4
    labelled = [cell.text for cell in page.all("td", **{"data-label": "Fair rate"})]
    assert labelled == ["16.0\u00a0% (10.0\u00a0to\u00a022.0)", "5.0\u00a0% (1.0\u00a0to\u00a09.0)",
                        "7.0\u00a0% (0.0\u00a0to\u00a016.0)", "–"]  # fmt: skip


def test_few_installs_have_no_place(page: Page) -> None:
    assert [cell.text for cell in page.all("td", **{"data-label": "Place"})] == [
        "2",
        "1",
        "not ranked",
        "not ranked",
    ]
    against = [cell.text for cell in page.all("td", **{"data-label": "Against the fleet"})]
    assert against == ["worse than the fleet", "not told apart; 2.7 times the fleet would show", "–", "–"]


def test_names_stay_text(page: Page) -> None:
    assert page.all("b") == []
    assert any(HOSTILE_NAME in cell.text for cell in page.all("th"))


def test_pictures_have_captions_with_their_numbers(page: Page) -> None:
    captions = {caption.attributes["id"]: caption.text for caption in page.all("figcaption")}

    assert set(captions) == {
        "funnel-caption", "fair-rates-caption", "months-caption", "crew-faults-caption", "position-faults-caption"
    }  # fmt: skip
    assert "Outside the 95 % limits: crew-0; luck alone puts about 0.1 there" in captions["funnel-caption"]
    assert "bus bar 90, unknown 12" in captions["position-faults-caption"]


def test_it_says_how_visits_are_accounted_for() -> None:
    known = " ".join(how_counted(fleet(), SETTINGS))
    blind = " ".join(how_counted(fleet(weighted_rate=None, visited_with_promise=3), SETTINGS))

    assert "1 / probability of a visit" in known
    assert "likelihoods overstated: odds times 0.67" in known
    assert "the fleet 10.0\u00a0% (7.0\u00a0to\u00a013.0)" in known
    assert "5 visits with no likelihood on record" in known
    assert "too few to check the likelihoods" in blind
    assert "as published" in " ".join(how_counted(fleet(offset=0.1), SETTINGS))


def test_it_says_whether_crews_differ_by_more_than_luck() -> None:
    assert "3.20 times what luck gives" in dispersion(fleet())
    assert "more than luck" in dispersion(fleet())
    assert "not clearly more" in dispersion(fleet(phi=1.1, phi_p_value=0.3))
    assert "Fewer than three" in dispersion(fleet(crews_compared=2))


def test_changes_and_their_absence_in_words() -> None:
    tables = crew_tables()

    (line,) = change_lines(tables["crew_change"], {"crew-0": "Ada's"}, SETTINGS)
    assert line.startswith("Ada's changed around 2 Mar 2026: from 5.0 % of 60 installs to 30.0 % of 50")
    assert "No crew with at least 40 installs" in change_lines(tables["crew_change"].clear(), {}, SETTINGS)[0]


def test_nothing_known_yet_is_said_in_words() -> None:
    tables = {name: table if name == "crew_fleet" else table.clear() for name, table in crew_tables().items()}

    context = crews_context(tables, SETTINGS)

    assert (context["rows"], context["lessons"], context["trainings"]) == ([], [], [])
    pictures = [*context["comparison"], context["over_time"], *context["kinds"]]
    assert [picture.spec for picture in pictures] == [None] * 5
    assert all(picture.empty for picture in pictures)


def test_only_the_largest_crews_have_a_row_in_the_pictures() -> None:
    few = SETTINGS.model_copy(update={"chart_crews": 1})

    spec = crews_context(crew_tables(), few)["over_time"].spec

    assert {row["crew_id"] for row in spec["datasets"]["cells"]} == {"crew-0"}
    assert pl.DataFrame(spec["datasets"]["changes"])["crew_id"].to_list() == ["crew-0"]
