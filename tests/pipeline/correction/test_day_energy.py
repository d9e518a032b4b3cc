"""A day is worked out again when its file or an episode of it changed, and only then."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from corrected_homes import DAY, corrected_rows, episode, episodes, write_days

from pipeline.core.settings import Settings
from pipeline.correction import day_energy
from pipeline.correction.day_energy import read_energy

DAYS = [DAY + timedelta(days=at) for at in range(4)]


class Reader:
    """Reads the same days again and again, and counts what was asked."""

    def __init__(self, folder: Path, settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder, self.settings, self.read = folder, settings, []
        ask = day_energy._ask

        def counted(con, query, files, given):
            if query == "corrected_energy":
                self.read += [path.parent.name for path in files if path.parent.name.startswith("date=")]
            return ask(con, query, files, given)

        monkeypatch.setattr(day_energy, "_ask", counted)

    def again(self, *facts: dict) -> tuple[pl.DataFrame, pl.DataFrame]:
        self.read = []
        files = sorted(self.folder.glob("date=*/corrected.parquet"))
        kept = self.folder / ".sums"
        return read_energy(files, episodes(*facts), self.settings, workdir=self.folder, kept=kept)


@pytest.fixture
def reader(tmp_path: Path, settings: Settings, monkeypatch: pytest.MonkeyPatch) -> Reader:
    write_days(tmp_path, *(corrected_rows(site, day) for day in DAYS for site in "ab"))
    return Reader(tmp_path, settings, monkeypatch)


def names(*days) -> list[str]:
    return [f"date={day}" for day in days]


def test_nothing_is_read_twice_and_nothing_differs(reader: Reader) -> None:
    first = reader.again(episode("a"), episode("b"))
    assert reader.read == names(*DAYS)
    again = reader.again(episode("a"), episode("b"))
    assert reader.read == []
    assert [one.equals(other) for one, other in zip(first, again, strict=True)] == [True, True]
    assert first[0].height == 8
    assert first[0]["net_corrected"].to_list() == pytest.approx([12.0] * 8)


def test_a_day_that_changed_is_read_again(reader: Reader) -> None:
    reader.again(episode("a"))
    write_days(reader.folder, corrected_rows("a", DAYS[2], l1_w=800.0))
    energy, _ = reader.again(episode("a"))
    assert reader.read == names(DAYS[2])
    assert energy.filter(day=DAYS[2])["net_corrected"].item() == pytest.approx(24.0)


def test_days_of_an_episode_that_changed_are_read_again(reader: Reader) -> None:
    reader.again(episode("a"), episode("b"))
    energy, _ = reader.again(episode("a"), episode("b", to_on=DAYS[1]))
    assert reader.read == names(*DAYS[2:])
    assert energy.height == 6
    reader.again(episode("a", is_upstream=False), episode("b", to_on=DAYS[1]))
    assert reader.read == names(*DAYS)


def test_what_is_of_no_use_any_more_is_removed(reader: Reader) -> None:
    reader.again(episode("a"))
    (reader.folder / f"date={DAYS[0]}" / "corrected.parquet").unlink()
    energy, _ = reader.again(episode("a"))
    assert energy["day"].to_list() == DAYS[1:]
    assert len(list((reader.folder / ".sums").iterdir())) == 2 * 3


def test_parts_of_any_size_give_the_same(
    reader: Reader, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    whole = reader.again(episode("a"), episode("b"))
    for path in (tmp_path / ".sums").iterdir():
        path.unlink()
    monkeypatch.setattr(day_energy, "_BATCH_ROWS", 1)
    apart = reader.again(episode("a"), episode("b"))
    assert reader.read == names(*DAYS)
    assert [one.equals(other) for one, other in zip(whole, apart, strict=True)] == [True, True]
