"""A home's page: cautions first, suspicion in words, doubts, and words where a picture can't be drawn."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import polars as pl
from example import CONTRADICTION
from page import Page

from pipeline.core.services import lines_of
from pipeline.core.settings import Settings
from pipeline.report import ReportInput, write_report
from pipeline.report.figures import Figure
from pipeline.report.home_page import convincing_figures, other_faults, site_facts
from pipeline.report.names import crew_anchor, page_name
from pipeline.report.weight_table import fold
from pipeline.report.words import sentence
from pipeline.scoring.innocent import CAUSES


def home(folder: Path, site_id: str) -> Page:
    return Page(folder / "home" / page_name(site_id))


def test_cautions_come_first_then_the_suspicion_what_decides_and_what_to_do(folder: Path) -> None:
    page = home(folder, "MH-20417")
    headings = [heading.text for heading in page.all("h2")]
    assert headings[:2] == ["Suspected, not found", "What to do"]
    assert headings[-1] == "The rest of the data"
    (caution, *_) = page.all("summary")
    assert caution.text.startswith("Before any cover comes off: de-energize, lock out and test")
    cautions = [item.text for item in page.all("li")]
    assert "The line side stays live with the main breaker off." in cautions[:4]  # the fault's own, too


def test_the_lead_names_the_fault_with_its_leg_date_and_both_likelihoods(folder: Path) -> None:
    lead = home(folder, "MH-20417").all("p", **{"class": "lead"})[0].text
    assert lead.startswith("reversed CT, L1, since 2 Jun 2026 85 % this fault, 94 % any fault")
    assert "from the first day of data" in home(folder, "MH-20980").all("p", **{"class": "lead"})[0].text


def test_safety_clock_and_proof_are_said_up_front(folder: Path) -> None:
    stop = home(folder, "MH-20980").all("p", **{"class": "notice stop"})
    assert "Safety call first" in stop[0].text
    notes = [note.text for note in home(folder, "new-3").all("p", **{"class": "notice note"})]
    assert any("clock looks off by about +6.0 h" in note for note in notes)
    assert any(note.startswith("Unproven") for note in notes)


def test_each_picture_has_data_and_a_caption_with_numbers(folder: Path) -> None:
    page = home(folder, "MH-20417")
    figures = [figure.attributes["id"] for figure in page.all("figure")]
    assert figures == [
        "pv-l1",
        "slopes",
        "map-l1",
        "map-l2",
        "pv-l2",
        "nights",
        "weights",
    ]  # the convincing first
    for name in figures:
        spec = json.loads(page.all("script", id=f"{name}-spec")[0].text)
        assert spec["$schema"].endswith(".json")
        assert all(spec["datasets"].values()) or name.startswith("pv")
        assert any(sign.isdigit() for sign in page.all("figcaption", id=f"{name}-caption")[0].text)


def test_without_pv_words_stand_in_for_pictures(folder: Path) -> None:
    page = home(folder, "single-9")
    empty = {
        f.attributes["id"]: f.text
        for f in page.all("figure")
        if not page.all("script", id=f.attributes["id"] + "-spec")
    }
    assert set(empty) == {"pv-l1", "slopes"}  # a home of one line has no second one to show
    assert "No PV readings" in empty["pv-l1"]


def test_an_unknown_time_zone_is_confessed(folder: Path) -> None:
    assert "UTC: the site record gives no known time zone" in " ".join(
        caption.text for caption in home(folder, "single-9").all("figcaption")
    )


def test_three_checks_decide_and_the_others_are_folded(folder: Path, night: ReportInput) -> None:
    deciding, others = home(folder, "MH-20417").all("ul", **{"class": "checks"})
    weights = night.site_weight.filter(pl.col("site_id") == "MH-20417").sort("ordinal")
    told = {row["probe"]: f"{sentence(row['sentence'])} {row['strength']}" for row in weights.to_dicts()}
    # what contradicts a right install stands ahead of what weighs more
    places = [deciding.text.index(told[probe]) for probe in ("sun", "nights", "pairs")]
    assert places == sorted(places)
    assert told["daylight"] in others.text
    assert told["leaks"] in others.text
    assert told["sag"] not in deciding.text + others.text
    folds = [fold.text for fold in home(folder, "MH-20417").all("summary")]
    assert folds[1] == "All other checks (3)"
    assert "Too little data to tell: Voltage sag." in [
        note.text for note in home(folder, "MH-20417").all("p")
    ]
    assert folds[-1] == "For the quality lead: how the likelihood adds up"


def test_the_sums_say_any_fault_and_this_fault_rather_than_the_next(folder: Path, night: ReportInput) -> None:
    foot = home(folder, "MH-20417").all("tfoot")[0].text
    assert "16 to 1 for a fault" in foot  # 0.94 / 0.06
    assert "8.2 to 1 for this fault" in foot  # exp(0.1 (1 + ... + 6))
    assert "This fault rather than dead channel" in home(folder, "MH-20417").all("thead")[0].text


def test_the_two_figures_that_convince_are_of_the_fault_and_its_leg() -> None:
    names = ("map-l1", "map-l2", "pv-l1", "pv-l2", "nights", "slopes")
    figures = [Figure(name, name, {}, "", "") for name in names]

    def chosen(kinds: tuple[str, ...], leg: str | None, at_loads: bool = False) -> list[str]:
        lines = lines_of(leg, 2)
        return [figure.id for figure in convincing_figures(figures, kinds, lines, at_loads=at_loads)]

    assert chosen(("leg_against_pv", "night_levels"), "l2") == ["pv-l2", "nights"]
    assert chosen(("leg_against_pv", "night_levels"), "both") == ["pv-l1", "pv-l2"]
    assert chosen(("leg_against_leg", "daily_slopes"), "l2") == ["slopes", "pv-l2"]
    assert chosen(("leg_against_pv", "day_profile"), "l2", at_loads=True) == ["map-l2", "nights"]
    figures[names.index("pv-l2")] = Figure("pv-l2", "", None, "nothing to draw", "")
    assert chosen(("leg_against_pv", "night_levels"), "l2") == ["nights", "slopes"]


def test_the_page_leads_to_its_crew_and_back_to_the_list(folder: Path) -> None:
    (crew,) = [link for link in home(folder, "MH-20417").all("a") if "crews.html#" in link.attributes["href"]]
    anchor = crew.attributes["href"].split("#")[1]
    assert anchor == crew_anchor(crew.text.removeprefix("Crew "))
    assert Page(folder / "crews.html").all("tr", id=anchor)


def test_the_site_record_reads_in_plain_words() -> None:
    site = {
        "service": "120/240", "ct_location": "bus_bar", "ct_sees_pv": True, "pv_added_back": True, "cts_per_leg": 2,
    }  # fmt: skip
    assert site_facts(site) == [
        ("Service", "120/240 V"), ("CTs at", "bus bar"), ("CT location", "upstream of the solar tie-in (recorded)"),
        ("CTs per leg", "2"), ("PV added back", "yes, by the source"),
    ]  # fmt: skip


def test_a_probe_that_decides_which_fault_is_shown_whatever_else_it_says(night: ReportInput) -> None:
    weights = night.site_weight.filter(pl.col("site_id") == "MH-20417")
    which = pl.when(pl.col("probe") == "sag").then(5.9).otherwise("which_weight")
    assert fold(weights).rest["probe"].to_list() == ["sag", "leaks"]
    assert fold(weights.with_columns(which_weight=which)).rest["probe"].to_list() == ["leaks"]
    assert fold(weights, "leaks").rest["probe"].to_list() == ["sag"]


def test_an_unproven_home_says_its_number_the_innocent_cause_and_the_desk(folder: Path) -> None:
    notes = " ".join(note.text for note in home(folder, "new-3").all("p", **{"class": "notice note"}))
    assert (
        f"no right install shows this: {CONTRADICTION}. It may be the site record: a clock that is hours off"
        in notes
    )
    assert f"41 % likely. First, from the office: {CAUSES['clock_wrong'].office}" in notes


def test_other_explanations_are_ranked_and_leave_out_the_suspect() -> None:
    score = {
        "fault_likelihoods": {"reversed": 0.7, "sound": 0.05, "dead": 0.2, "partial": None, "same_leg": 0.05}
    }
    others = other_faults(score, "reversed", {})[:3]
    assert [(item["name"], item["share"]) for item in others] == [
        ("no signal (open lead)", 0.2), ("two CTs on one leg", 0.05), ("no CT fault", 0.05)
    ]  # fmt: skip


def test_numbers_speak_from_the_onset_only(folder: Path) -> None:
    captions = {c.attributes["id"]: c.text for c in home(folder, "MH-20417").all("figcaption")}
    assert captions["map-l1-caption"].startswith("L1 since 2 Jun 2026: median −")
    assert "Grey dots are earlier days" in captions["pv-l1-caption"]
    assert "Grey dots" not in home(folder, "MH-20980").all("figcaption", id="pv-l1-caption")[0].text


def test_what_going_is_worth_is_shown_term_by_term(folder: Path) -> None:
    terms = [item.text for item in home(folder, "MH-20417").all("dd")]
    worth = ": 240 gained − 80 cost of going − 9 for a no-fault-found visit; break-even likelihood 31 %"
    assert any(worth in text for text in terms)
    assert any("estimate 228 kWh (190 to 260)" in text for text in terms)


def test_an_onset_kept_from_before_the_days_that_are_scored_doesnt_promise_that_only_later_days_are(
    folder: Path, night: ReportInput, tmp_path: Path, settings: Settings
) -> None:
    said = "Only the days from then on are scored."
    assert said in " ".join(line.text for line in home(folder, "MH-20417").all("p"))
    scores = night.site_scores.with_columns(from_on=pl.col("from_on") - pl.duration(days=5))

    write_report(tmp_path, replace(night, site_scores=scores), settings)

    kept = " ".join(line.text for line in home(tmp_path, "MH-20417").all("p"))
    assert "It changed on 2 Jun 2026: response of L1" in kept
    assert said not in kept
