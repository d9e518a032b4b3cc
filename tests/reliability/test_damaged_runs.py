"""After a damaged run a night goes on from the one before, and tells what the visits and the store tell."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from chains import DAMAGES, FILES, NIGHTS, after, alarms, build_chain, differing, known, run

from pipeline.nightly.night_inputs import READ_OF_PREVIOUS

# In standing a night after a damaged run may differ from one after whole runs in these: they say since when.
SINCE = {
    "standing",
    "standing_since",
    "listed_since",
    "nights_listed",
    "first_listed_on",
    "nights_listed_all",
    "cause",
}
CASES = (("standing.parquet", "cut"), ("promise_book.parquet", "flip"), ("run.json", "delete"))


@pytest.fixture(scope="module")
def chain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A lake and four nights."""
    root = tmp_path_factory.mktemp("chain")
    build_chain(root)
    return root


@pytest.fixture(scope="module")
def healthy(chain: Path) -> Path:
    return after(chain, chain / "out", "", None)


@pytest.mark.heavy
@pytest.mark.parametrize(("name", "kind"), CASES)
def test_a_night_after_a_damaged_run_loses_nothing_that_can_be_told_again(
    chain: Path, healthy: Path, name: str, kind: str
) -> None:
    """Three files of the newest run; `python tests/reliability/chains.py` for all of them in every way."""
    assert name in FILES
    out = after(chain, chain / "out", name, DAMAGES[kind])
    (told,) = alarms(out)
    assert told.startswith(f"runs/{NIGHTS[-2]}/{name}: ")
    assert f"tonight goes on from the run of {NIGHTS[-3]}" in told
    assert alarms(healthy) == []
    assert differing(known(healthy), known(out)) == []
    whole, other = (pl.read_parquet(place / "latest" / "standing.parquet") for place in (healthy, out))
    assert {column for column in whole.columns if not whole[column].equals(other[column])} <= SINCE
    nights = pl.read_parquet(out / "latest" / "night_count.parquet")["as_of"].to_list()
    assert nights == [night for night in NIGHTS if night != NIGHTS[-2]]


@pytest.mark.heavy
def test_where_every_run_is_damaged_the_night_begins_anew(chain: Path, healthy: Path) -> None:
    out = after(chain, chain / "out", "standing.parquet", DAMAGES["zero"], newest=len(NIGHTS) - 1)
    (told,) = alarms(out)
    assert told.count("standing.parquet: changed since it was published") == len(NIGHTS) - 1
    assert "begins anew, as a first night" in told
    assert {"scores", "visits told"} & set(differing(known(healthy), known(out))) == set()


def test_the_tables_that_are_looked_at_first_are_those_that_a_night_reads(
    chain: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    previous, read = (chain / "out" / "runs" / str(NIGHTS[-2])), set()

    def watched(function):
        def reads(source, *args, **options):
            if Path(str(source)).parent == previous:
                read.add(Path(str(source)).stem)
            return function(source, *args, **options)

        return reads

    for name in ("read_parquet", "scan_parquet"):
        monkeypatch.setattr(pl, name, watched(getattr(pl, name)))
    run(chain, chain / "out")
    assert read == set(READ_OF_PREVIOUS)
