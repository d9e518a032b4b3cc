"""A home's page: cautions first, suspicion in words, doubts, and words where a picture can't be drawn."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
from example import CONTRADICTION
from page import Page

from pipeline.report import ReportInput
from pipeline.report.home_page import other_faults
from pipeline.report.names import page_name
from pipeline.report.weight_table import fold
from pipeline.scoring.innocent import CAUSES


def home(folder: Path, site_id: str) -> Page:
    return Page(folder / "home" / page_name(site_id))


def test_cautions_come_before_the_work_order(folder: Path) -> None:
    headings = [heading.text for heading in home(folder, "MH-20417").all("h2")]
    assert headings[:2] == ["Before any cover comes off", "Work order"]
    cautions = [item.text for item in home(folder, "MH-20417").all("li")]
    assert "The line side stays live with the main breaker off." in cautions[:4]  # the fault's weights, too


def test_the_lead_states_a_suspicion_with_leg_likelihood_and_date(folder: Path) -> None:
    lead = home(folder, "MH-20417").all("p", **{"class": "lead"})[0].text
    assert lead.startswith(
        "Suspected, not found: reversed CT, L1, since 2 Jun 2026: 85 % this fault, 94 % any fault."
    )
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
    assert figures == ["map-l1", "map-l2", "pv-l1", "pv-l2", "nights", "slopes", "weights"]
    for name in figures:
        spec = json.loads(page.all("script", id=f"{name}-spec")[0].text)
        assert spec["$schema"].endswith(".json")
        assert all(spec["datasets"].values()) or name.startswith("pv")
        assert any(sign.isdigit() for sign in page.all("figcaption", id=f"{name}-caption")[0].text)


def test_without_pv_or_second_leg_words_stand_in_for_pictures(folder: Path) -> None:
    page = home(folder, "single-9")
    empty = {
        f.attributes["id"]: f.text
        for f in page.all("figure")
        if not page.all("script", id=f.attributes["id"] + "-spec")
    }
    assert set(empty) == {"map-l2", "pv-l1", "pv-l2", "slopes"}
    assert "No L2 readings" in empty["map-l2"]
    assert "No PV readings" in empty["pv-l1"]


def test_an_unknown_time_zone_is_confessed(folder: Path) -> None:
    assert "UTC: the register gives no known time zone" in home(folder, "single-9").all("figcaption")[0].text


def test_deciding_probes_come_first_and_the_others_are_folded(folder: Path, night: ReportInput) -> None:
    first, rest = home(folder, "MH-20417").all("table")
    weights = night.site_weight.filter(pl.col("site_id") == "MH-20417")
    places = [first.text.index(label) for label in weights["label"].head(4).to_list()]
    assert places == sorted(places)
    for row in weights.iter_rows(named=True):
        table = rest if row["probe"] in ("sag", "leaks") else first
        assert f"{row['label']}{row['sentence']}{row['strength']}" in table.text
    (folded,) = home(folder, "MH-20417").all("summary")
    assert folded.text.startswith("1 probe that says little and 1 probe that could not tell; together: 1.")
    assert "the 3 that decide first" in first.text


def test_the_sums_say_any_fault_and_this_fault_rather_than_the_next(folder: Path, night: ReportInput) -> None:
    foot = home(folder, "MH-20417").all("tfoot")[0].text
    assert "16 to 1 for a fault" in foot  # 0.94 / 0.06
    assert "8.2 to 1 for it" in foot  # exp(0.1 (1 + ... + 6))
    assert "This fault rather than dead channel" in home(folder, "MH-20417").all("thead")[0].text


def test_a_probe_that_decides_which_fault_is_shown_whatever_else_it_says(night: ReportInput) -> None:
    weights = night.site_weight.filter(pl.col("site_id") == "MH-20417")
    which = pl.when(pl.col("probe") == "sag").then(5.9).otherwise("which_weight")
    assert fold(weights).rest["probe"].to_list() == ["sag", "leaks"]
    assert fold(weights.with_columns(which_weight=which)).rest["probe"].to_list() == ["leaks"]
    assert fold(weights, "leaks").rest["probe"].to_list() == ["sag"]


def test_an_unproven_home_says_its_number_the_innocent_cause_and_the_desk(folder: Path) -> None:
    notes = " ".join(note.text for note in home(folder, "new-3").all("p", **{"class": "notice note"}))
    assert (
        f"no right install reads so: {CONTRADICTION}. It may be the record: a clock that is hours off"
        in notes
    )
    assert f"41 % likely. First, at the desk: {CAUSES['clock_wrong'].office}" in notes


def test_other_explanations_are_ranked_and_leave_out_the_suspect() -> None:
    score = {
        "fault_likelihoods": {"reversed": 0.7, "sound": 0.05, "dead": 0.2, "partial": None, "same_leg": 0.05}
    }
    others = other_faults(score, "reversed", {})[:3]
    assert [(item["name"], item["share"]) for item in others] == [
        ("dead", 0.2), ("same leg", 0.05), ("sound: no CT fault at all", 0.05)
    ]  # fmt: skip


def test_numbers_speak_from_the_onset_only(folder: Path) -> None:
    captions = {c.attributes["id"]: c.text for c in home(folder, "MH-20417").all("figcaption")}
    assert captions["map-l1-caption"].startswith("L1 since 2 Jun 2026: median −")
    assert "Grey dots are earlier days" in captions["pv-l1-caption"]
    assert "Grey dots" not in home(folder, "MH-20980").all("figcaption", id="pv-l1-caption")[0].text


def test_what_going_is_worth_is_shown_term_by_term(folder: Path) -> None:
    terms = [item.text for item in home(folder, "MH-20417").all("dd")]
    assert any(text.startswith("240 − 80 of going − 9 if needless =") for text in terms)
