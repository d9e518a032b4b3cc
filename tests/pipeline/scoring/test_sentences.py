"""Sentences of a whole column at once are those of each row, and the strongest probes come first."""

from __future__ import annotations

import re
from string import Formatter

import numpy as np
import polars as pl
import pytest
from scored_homes import homes, right_home

from pipeline.learning.labelled import Labelled
from pipeline.probes import NAMES, PROBES, Probe
from pipeline.scoring.sentences import (
    MISSING,
    could_speak,
    evidence_lines,
    odds_words,
    probe_sentences,
    sentence,
    sentences,
    strongest,
)


@pytest.mark.parametrize(("value", "told"), [(0.5, "+0.50"), (None, MISSING), (float("nan"), MISSING)])
def test_a_sentence_with_a_missing_number_says_so(value: float | None, told: str) -> None:
    assert sentence("slope {slope:+.2f} W per W", {"slope": value}) == f"slope {told} W per W"


@pytest.mark.parametrize(
    "template",
    ["{share:.0%} of {nights} nights", "seen on {day}, {zone}", "no number", "{absent:.1f} and {share:+.2f}"],
)
def test_a_column_of_sentences_is_each_rows(template: str) -> None:
    rows = pl.DataFrame(
        {
            "share": [0.125, None, float("nan"), float("inf"), -0.0],
            "nights": [30, 0, None, 7, 1],
            "day": pl.Series(["2026-06-01", None, "2026-06-03", "2026-06-04", "2026-06-05"]).str.to_date(),
            "zone": ["a", "b", None, "", "{e}"],
        }
    )

    assert sentences(template, rows) == [sentence(template, row) for row in rows.iter_rows(named=True)]


@pytest.mark.parametrize("probe", PROBES, ids=NAMES)
def test_a_probe_says_its_numbers_of_the_right_home_and_that_it_knows_none_of_an_empty_row(
    probe: Probe,
) -> None:
    right = homes([{}])
    blank = right.with_columns(pl.lit(None).cast(kind).alias(name) for name, kind in right.schema.items())
    (said,), (unsaid,) = probe_sentences(probe, right), probe_sentences(probe, blank)

    assert MISSING not in said
    assert not re.search("[{}]", said + unsaid)
    fields = [name for _, name, _, _ in Formatter().parse(probe.sentences[-1][1]) if name]
    assert unsaid.count(MISSING) == len(fields) > 0


@pytest.mark.parametrize("probe", PROBES, ids=NAMES)
def test_a_sentence_names_columns_of_site_signal_and_its_last_is_said_of_any_home(probe: Probe) -> None:
    spoken = {name.meta.output_name() for name in probe.spoken}
    for _, template in probe.sentences:
        fields = {name for _, name, _, _ in Formatter().parse(template) if name}
        assert fields <= {*right_home(), *spoken}
    assert pl.select(probe.sentences[-1][0]).item() is True


def test_a_home_on_one_line_is_told_of_one_leg(fleet: Labelled) -> None:
    single = homes([{"service": "single"}])

    for probe in PROBES:
        (said,) = probe_sentences(probe, single)
        if any("L2" not in template for _, template in probe.sentences):
            assert "L2" not in said, probe.name


def test_the_one_that_adds_most_comes_first_and_what_says_nothing_is_not_said() -> None:
    terms = np.zeros((3, len(NAMES)))
    sun, nights, meter, record = (NAMES.index(name) for name in ("sun", "nights", "meter", "register"))
    terms[:, [sun, nights, meter, record]] = [3.0, -2.0, 0.05, 9.0]
    speaks = np.ones_like(terms, dtype=np.bool_)
    speaks[2, sun] = False

    order = strongest(terms, speaks, np.array([True, False, True]))

    assert order.tolist() == [[sun, -1, -1], [nights, -1, -1], [-1, -1, -1]]


def test_lines_are_those_of_each_home_alone(fleet: Labelled) -> None:
    rng = np.random.default_rng(1)
    order = rng.integers(-1, len(NAMES), (fleet.signals.height, 3))

    lines = evidence_lines(fleet.signals, order)

    for at, line in enumerate(lines):
        alone = fleet.signals[at : at + 1]
        said = [probe_sentences(PROBES[number], alone)[0] for number in order[at].tolist() if number >= 0]
        assert line == ("; ".join(said) or "too little data to tell")
    assert evidence_lines(fleet.signals[:2], np.full((2, 3), -1)) == ["too little data to tell"] * 2


def test_a_probe_speaks_where_its_data_are() -> None:
    known = homes([{}, {"meter_gain_l1": None}, {"nights": 0}, {"gain_sum_se": 0.9}])

    speaks = could_speak(known)

    assert speaks[0].all()
    assert [name for name, at in zip(NAMES, speaks[1], strict=True) if not at] == ["meter"]
    assert [name for name, at in zip(NAMES, speaks[2], strict=True) if not at] == ["nights"]
    assert [name for name, at in zip(NAMES, speaks[3], strict=True) if not at] == ["sun"]


@pytest.mark.parametrize(
    ("weight", "told"),
    [
        (np.log(900), "900 to 1 for a fault"),
        (-np.log(20_000), "20,000 to 1 for a sound install"),
        (np.log(2.5), "2.5 to 1 for a fault"),
        (0.05, "says little"),
        (-0.05, "says little"),
    ],
)
def test_a_weight_reads_as_odds(weight: float, told: str) -> None:
    assert odds_words(weight, "a fault", "a sound install") == told
