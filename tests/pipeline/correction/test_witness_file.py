"""Witnesses go into a file and come back the same."""

from __future__ import annotations

from pathlib import Path

from leg_fleet import fitted

from pipeline.correction.meter_leg import MeterError
from pipeline.correction.reading_facts import ReadingFacts
from pipeline.correction.unseen import Witnesses
from pipeline.correction.witness_file import read_witnesses, rounded, write_witnesses

PAIRS = fitted(12)
WITNESSES = Witnesses(
    MeterError(0.0123456789, 20.0, 0.01, 2.0, 9), {("H1", "l2"): PAIRS}, {"120/240": PAIRS}, {"H2": (1.0, -2.0)},
    {"H1": ReadingFacts(15.0, 1.0, 0.1, 2.5)},
)  # fmt: skip


def test_what_is_written_is_read_again_and_nothing_moves_a_second_time(tmp_path: Path) -> None:
    path = tmp_path / "witnesses.json"
    write_witnesses(path, WITNESSES, {"fitted_on": "2026-06-14", "stories": ["a"]})
    first = path.read_bytes()
    found = read_witnesses(path)
    assert found is not None
    assert found[1] == {"fitted_on": "2026-06-14", "stories": ["a"]}
    write_witnesses(path, found[0], found[1])
    assert path.read_bytes() == first
    assert repr(found[0]) == repr(rounded(WITNESSES))
    assert found[0].meter.common_share == 0.0123457


def test_a_file_that_cannot_be_read_is_none(tmp_path: Path) -> None:
    assert read_witnesses(tmp_path / "nothing.json") is None
    (tmp_path / "half.json").write_text('{"witnesses": {"meter"')
    assert read_witnesses(tmp_path / "half.json") is None
