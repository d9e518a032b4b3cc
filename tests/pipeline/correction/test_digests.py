"""A digest changes with whatever a home's rows come from, and with nothing else."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl
import pytest
from corrections import episode, episode_table
from lakes import DAY

from pipeline.core.settings import load_settings
from pipeline.correction.digests import (
    FACTS,
    code_digest,
    correcting_modules,
    home_digests,
    settings_digest,
    with_story,
)

SETTINGS = load_settings()
LIMITS = pl.DataFrame({"site_id": ["a", "b"], **{fact: [1.0, 2.0] for fact in FACTS}})


def story(limits: pl.DataFrame = LIMITS, **values: Any) -> str:
    row = episode("a", values.pop("from_on", DAY), values.pop("to_on", None), **values)
    return with_story(episode_table(row), limits)["story"][0]


@pytest.mark.parametrize(
    "values",
    [{"likelihood": 0.91}, {"leg": "l2"}, {"fault": "dead"}, {"from_on": DAY - timedelta(days=1)}, {"to_on": DAY},
     {"gain_l1": -1.0}, {"gain_l1": -1.0000000001}, {"rival_fault": "partial"}, {"ended_by": "visit"}],
)  # fmt: skip
def test_every_value_of_an_episode_is_in_its_story(values: dict[str, Any]) -> None:
    assert story() == story()
    assert story(**values) != story()


@pytest.mark.parametrize("fact", FACTS)
def test_every_fact_of_the_home_is_in_it(fact: str) -> None:
    assert story(LIMITS.with_columns(pl.col(fact) + 1)) != story()


def test_a_column_beside_is_in_it_too() -> None:
    told = episode_table(episode("a", DAY)).with_columns(beside=pl.lit(1.0))
    assert with_story(told, LIMITS)["story"][0] != story()
    assert story(LIMITS.filter(site_id="b")) != story()


def test_stories_are_in_order_of_home_and_time() -> None:
    table = episode_table(episode("b", DAY), episode("a", DAY, DAY), episode("a", DAY + timedelta(days=1)))
    assert with_story(table, LIMITS).select("site_id", "from_on").rows() == [
        ("a", DAY), ("a", DAY + timedelta(days=1)), ("b", DAY),
    ]  # fmt: skip


def test_a_homes_digest_is_of_its_story_and_what_all_share() -> None:
    first = home_digests(["x", "y"], ("files", "settings"))
    assert home_digests(["y"], ("files", "settings")) == first[1:]
    assert not set(home_digests(["x", "y"], ("other files", "settings"))) & set(first)


def test_settings_that_say_how_or_when_are_not_in_it() -> None:
    def changed(section: str, **values: Any) -> str:
        part = getattr(SETTINGS, section).model_copy(update=values)
        return settings_digest(SETTINGS.model_copy(update={section: part}))

    assert changed("correction", in_night=True) == settings_digest(SETTINGS)
    assert changed("lake", homes_per_shard=7) == settings_digest(SETTINGS)
    assert changed("correction", least_likelihood=0.7) != settings_digest(SETTINGS)
    assert changed("lake", leg_headroom=9.0) != settings_digest(SETTINGS)


def test_the_code_is_what_rows_are_corrected_by_and_not_what_tells_of_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    modules = correcting_modules()
    wanted = {"correction.rows", "correction.hypothesis", "correction.extract", "faults.catalogue.reversed"}
    assert {f"pipeline.{name}" for name in wanted} < modules.keys()
    assert not [name for name in modules if "statement" in name or name.endswith((".run", ".day_files"))]

    def digest_of(sources: dict[str, str]) -> str:
        monkeypatch.setattr("pipeline.correction.digests.correcting_modules", lambda: sources)
        return code_digest.__wrapped__()

    name = "pipeline.correction.rows"
    assert digest_of({**modules, name: modules[name] + "\n# a comment\n"}) == digest_of(modules)
    assert digest_of({**modules, name: modules[name] + "\nX = 1\n"}) != digest_of(modules)
