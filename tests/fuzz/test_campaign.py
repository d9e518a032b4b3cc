"""A small campaign of hostile cases in CI; `python tests/fuzz/campaign.py --cases 100000` is the long one."""

from __future__ import annotations

import warnings
from dataclasses import replace
from pathlib import Path

import pytest
from campaign import Campaign, run_campaign
from hypothesis.errors import HypothesisDeprecationWarning
from targets import TARGETS
from watchers import no_formula, page_text

SEED = 6
CASES = 300


@pytest.mark.heavy
def test_nothing_gets_out_of_hostile_cases() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        # threads that earlier tests' servers left may turn Python's own dice while a case is drawn
        warnings.simplefilter("ignore", HypothesisDeprecationWarning)
        done = run_campaign(CASES, SEED)

    assert done.findings == {}
    assert done.cases.total() >= CASES * 0.98
    assert set(done.cases) == {target.name for target in TARGETS}
    assert done.taken.total() > CASES / 3


def test_a_defect_would_be_found(tmp_path: Path) -> None:
    def broken(case: object, folder: Path) -> bool:
        raise ZeroDivisionError(case)

    campaign = Campaign()
    for case in ("a", "b"):
        campaign.add(replace(TARGETS[0], drive=broken), case, tmp_path)

    ((place, (count, first)),) = campaign.findings.items()
    assert place.startswith("mapping: ZeroDivisionError at test_campaign.py")
    assert (count, first.splitlines()[0]) == (2, "a")


@pytest.mark.parametrize(
    "spoilt",
    [
        "<p><nightclampx></p>",
        "<p onclick='x'>",
        "<a href='javascript:x'>",
        "<a href='https://example.org'>",
        "<script>x</script>",
        "<script type='application/json'>{</script>",
        "<!-- x -->",
    ],
)
def test_mark_up_that_is_not_ours_would_be_found(spoilt: str, tmp_path: Path) -> None:
    (tmp_path / "page.html").write_text(spoilt)
    with pytest.raises((AssertionError, ValueError)):
        page_text(tmp_path / "page.html")


@pytest.mark.parametrize("cell", ["=1", " =1", "\uff1d1", "a;=1", "\u200b-x", '"a\n@x"', "\ufe62x"])
def test_a_formula_would_be_found(cell: str, tmp_path: Path) -> None:
    (tmp_path / "table.csv").write_text(f"name\n{cell}\n", encoding="utf-8")
    with pytest.raises(AssertionError):
        no_formula(tmp_path / "table.csv")
