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
    evidence_lines,
    fill_template,
    has_data,
    odds_words,
    probe_sentences,
    strongest_probes,
)


def test_a_template_has_each_rows_numbers_and_says_what_is_missing() -> None:
    rows = pl.DataFrame(
        {
            "share": [0.125, None, float("nan"), float("inf"), -0.0],
            "nights": [30, 0, None, 7, 1],
            "day": pl.Series(["2026-06-01", None, "2026-06-03", "2026-06-04", "2026-06-05"]).str.to_date(),
        }
    )

    assert fill_template("{share:+.0%} of {nights}", rows) == [
        "+12% of 30", f"{MISSING} of 0", f"{MISSING} of {MISSING}", f"{MISSING} of 7", "0% of 1",
    ]  # fmt: skip
    assert fill_template("seen on {day}, {absent:.1f}", rows[:2]) == [
        f"seen on 2026-06-01, {MISSING}", f"seen on {MISSING}, {MISSING}",
    ]  # fmt: skip
    assert fill_template("no number", rows[:2]) == ["no number"] * 2


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

    order = strongest_probes(terms, speaks, np.array([True, False, True]))

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

    speaks = has_data(known)

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
