"""The crews' page: rates with their intervals, no rank for few installs, sentences with the night's numbers."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from example_crews import HOSTILE_NAME, crew_tables, quality
from page import Page

from pipeline.core.settings import load_settings
from pipeline.report.crew_words import (
    change_lines,
    comparison_text,
    conclusions,
    dispersion,
    how_counted,
    names_of,
)
from pipeline.report.crews_page import crews_context
from pipeline.report.names import crew_anchor, page_name

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


def test_few_installs_have_no_rank(page: Page) -> None:
    assert [cell.text for cell in page.all("td", **{"data-label": "Rank"})] == [
        "2", "1", "not ranked", "not ranked"
    ]  # fmt: skip
    against = [cell.text for cell in page.all("td", **{"data-label": "Against the fleet"})]
    assert against == [
        "worse than the fleet (outside 95 % control limits)", "not significantly different",
        *["under 20 judged installs: not compared"] * 2,
    ]  # fmt: skip
    detectable = [cell.text for cell in page.all("td", **{"data-label": "Detectable from"})]
    assert detectable == ["2.7\u00a0× the fleet"] * 2 + ["–"] * 2


def test_the_rows_stand_as_the_caption_and_the_headings_say(page: Page) -> None:
    rows = [row.attributes for row in page.all("tr") if "data-crew" in row.attributes]
    first, *_ = (caption.text for caption in page.all("caption"))
    (sorted_by,) = (heading for heading in page.all("th") if "aria-sort" in heading.attributes)

    ranked = [row for row in rows if "data-last" not in row]
    rates = [float(row["data-fair"]) for row in ranked]
    assert first.startswith("Ranked crews first, highest fair rate at the top; rank 1 is the lowest rate.")
    assert "2 crews with fewer than 20 judged installs stay below them, without a rank." in first
    assert (sorted_by.attributes["aria-sort"], sorted_by.text) == ("descending", "Fair rate")
    assert rates == sorted(rates, reverse=True)
    assert [row["data-rank"] for row in ranked] == ["2", "1"]
    assert all("data-last" in row for row in rows[len(ranked) :])


def test_every_sortable_heading_has_a_value_in_every_row(page: Page) -> None:
    keys = {
        f"data-{heading.attributes['data-sort']}"
        for heading in page.all("th")
        if "data-sort" in heading.attributes
    }
    rows = [row.attributes for row in page.all("tr") if "data-crew" in row.attributes]

    assert len(keys) == 10
    assert all(keys <= set(row) for row in rows)
    assert any(script.attributes.get("src") == "assets/sort.js" for script in page.all("script"))


def test_the_first_lines_say_what_can_be_concluded(page: Page) -> None:
    (lead,) = page.all("p", **{"class": "lead"})

    assert lead.text.startswith("9.0\u00a0% (6.0\u00a0to\u00a013.0) of the 211 installs with data")
    assert "1 is worse than the fleet (crew-0) and 1 is not significantly different from it." in lead.text


@pytest.mark.parametrize(
    ("sides", "said"),
    [
        ([None, None], "None of the 2 ranked crews is significantly different from the fleet. Their order may be chan"),
        ([None], "The one ranked crew is not significantly different from the fleet."),
        (["worse", "better"], "1 is worse than the fleet (crew-0) and 1 is better than the fleet (crew-1)."),
        ([], "No crew has 20 judged installs yet, so no crew is compared with another."),
    ],
)  # fmt: skip
def test_conclusions_follow_the_table(sides: list[str | None], said: str) -> None:
    ranked = quality().filter("is_ranked").head(len(sides))
    table = ranked.with_columns(stands_out=pl.Series(sides, dtype=pl.String))

    assert said in " ".join(conclusions(table, fleet(), SETTINGS))


def test_a_crew_outside_by_chance_is_not_accused() -> None:
    row = quality().row(0, named=True) | {"stands_out": None}

    assert comparison_text(row, SETTINGS) == "above the 95 % control limits, may be chance"
    assert (
        comparison_text(row | {"worth_rate": 0.01}, SETTINGS)
        == "below the 95 % control limits, may be chance"
    )


def test_a_crew_links_to_its_homes(page: Page) -> None:
    links = [link.attributes["href"] for link in page.all("a") if link.attributes["href"].startswith("crew/")]
    anchors = {row.attributes["id"] for row in page.all("tr") if "data-crew" in row.attributes}

    assert links == [f"crew/{page_name(f'crew-{number}')}" for number in range(4)]
    assert anchors == {crew_anchor(f"crew-{number}") for number in range(4)}


def test_trainings_say_how_the_crew_moved_beside_the_others(page: Page) -> None:
    moved = [cell.text for cell in page.all("td", **{"data-label": "Rates before and after"})]
    results = [cell.text for cell in page.all("td", **{"data-label": "Result"})]

    assert moved == ["The crew went from 20.0 % to 10.0 %; other crews from 9.0 % to 9.0 %.", "–"]
    assert results == ["no significant change", "too few installs to say"]


def test_many_names_are_cut_short() -> None:
    assert names_of([]) == "none"
    assert names_of([f"C{number}" for number in range(12)]).endswith("C9 and 2 more")


def test_names_stay_text(page: Page) -> None:
    assert page.all("b") == []
    assert any(HOSTILE_NAME in cell.text for cell in page.all("th"))


def test_pictures_have_captions_with_their_numbers(page: Page) -> None:
    captions = {caption.attributes["id"]: caption.text for caption in page.all("figcaption")}

    assert set(captions) == {
        "funnel-caption", "fair-rates-caption", "months-caption", "crew-faults-caption", "position-faults-caption"
    }  # fmt: skip
    assert (
        "Outside the 95 % control limits: crew-0; by chance alone 0.1 of 2 ranked crews would be"
        in captions["funnel-caption"]
    )
    assert "bus bar 90, unknown 12" in captions["position-faults-caption"]


def test_it_says_how_visits_are_accounted_for() -> None:
    known = " ".join(how_counted(fleet(), SETTINGS))
    blind = " ".join(how_counted(fleet(weighted_rate=None, visited_with_promise=3), SETTINGS))

    assert "1 / probability of a visit" in known
    assert "likelihoods are overstated (odds times 0.67)" in known
    assert "a fleet rate of 10.0\u00a0% (7.0\u00a0to\u00a013.0)" in known
    assert "5 visits without a likelihood on record" in known
    assert "from before the visit: 3. These are too few to check" in blind
    assert "right within their uncertainty" in " ".join(how_counted(fleet(offset=0.1), SETTINGS))


def test_it_says_whether_crews_differ_by_more_than_chance() -> None:
    assert "The 3 crews together differ by more than chance" in dispersion(fleet())
    assert "3.20 times those of chance" in dispersion(fleet())
    assert "together do not differ by more than chance" in dispersion(fleet(phi=1.1, phi_p_value=0.3))
    assert "Fewer than three" in dispersion(fleet(crews_compared=2))


def test_changes_and_their_absence_in_words() -> None:
    tables = crew_tables()

    (line,) = change_lines(tables["crew_change"], {"crew-0": "Ada's"}, SETTINGS)
    assert line.startswith("Ada's went from 5.0 % of 60 installs to 30.0 % of 50 installs around 2 Mar 2026")
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
