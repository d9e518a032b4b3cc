"""metrics.prom holds the night's numbers, as a parser of the format reads them, and no text of a site."""

from __future__ import annotations

import json
from collections import Counter
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import polars as pl
import pytest
from lakes import DAY, build_lake, put, rows
from prometheus_client.parser import text_string_to_metric_families

from pipeline.core.build_identity import build_identity
from pipeline.core.settings import load_settings
from pipeline.nightly.metrics_file import MOST_REASONS, NAME, reject_kinds
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import NightResult, run_night

Samples = dict[tuple[str, tuple[str, ...]], float]


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> NightResult:
    """Two days of two homes, with a row of an unknown home and one that came twice."""
    root = tmp_path_factory.mktemp("metrics")
    lake = build_lake(root / "lake")
    for day in (DAY, DAY + timedelta(days=2)):
        twice = rows("a", day).head(1)
        put(
            lake,
            "part.parquet",
            pl.concat([rows("a", day), rows("b", day), rows("<ghost>", day).head(3), twice]),
            day,
        )
    (lake / "intervals" / f"date={DAY}" / "torn.parquet").write_bytes(b"PAR1")
    return run_night(NightRequest(lake, root / "out"), load_settings())


@pytest.fixture(scope="module")
def samples(night: NightResult) -> Samples:
    """(name without the prefix, label values) -> value."""
    found: Samples = {}
    for family in text_string_to_metric_families((night.folder / NAME).read_text(encoding="utf-8")):
        assert family.name.startswith("nightclamp_")
        assert family.type == "gauge"
        assert family.documentation.endswith(".")
        for sample in family.samples:
            key = sample.name.removeprefix("nightclamp_"), tuple(sample.labels.values())
            assert key not in found
            found[key] = sample.value
    return found


def test_its_counts_are_those_of_the_run(night: NightResult, samples: Samples) -> None:
    counts = night.counts
    for kind in ("", "utility_"):
        for outcome in ("used", "duplicate", "rejected"):
            assert samples[f"{kind}rows", (outcome,)] == counts[f"{kind}rows_{outcome}"]
    assert samples["rows", ("duplicate",)] == 2
    assert samples["rejected_rows", ("unknown home",)] == 6
    assert sum(samples[key] for key in samples if key[0] == "rows") == counts["rows_in"]
    assert sum(samples[key] for key in samples if key[0] == "homes") == counts["homes"] == 2
    verdicts = Counter(pl.read_parquet(night.folder / "site_scores.parquet")["verdict"])
    assert all(samples["homes", (verdict,)] == n for verdict, n in verdicts.items())
    assert sum(samples[key] for key in samples if key[0] == "listed_homes") == night.revisit_list.height
    assert samples["open_safety_calls", ()] == counts["safety_calls"]
    assert samples["days", ("read",)] == night.fresh_days == 2
    assert samples["window_days", ()] == 30


def test_it_says_when_how_long_by_what_and_how_fresh(night: NightResult, samples: Samples) -> None:
    record = json.loads((night.folder / "run.json").read_text(encoding="utf-8"))
    (build,) = (labels for name, labels in samples if name == "build_info")
    (run,) = (labels for name, labels in samples if name == "run_info")
    midnight = datetime.combine(night.as_of + timedelta(days=1), time(), UTC)

    assert f"{build[2]} (source {build[1]})" == build_identity() == record["versions"]["build"]
    assert build[0] == record["model_id"]
    assert sorted(run) == sorted([record["run_id"], record["as_of"]])
    assert samples["data_end_timestamp_seconds", ()] == midnight.timestamp()
    began, ended = (samples[f"run_{name}_timestamp_seconds", ()] for name in ("start", "end"))
    assert 0 <= ended - began < 600
    assert ended - began == pytest.approx(samples["run_duration_seconds", ()], abs=1)
    steps = {labels[0]: value for (name, labels), value in samples.items() if name == "step_duration_seconds"}
    assert steps == record["seconds"]


def test_alarms_are_counted_by_severity_and_code(night: NightResult, samples: Samples) -> None:
    raised = Counter(night.alarm.select("severity", "code").iter_rows())
    found = {labels[::-1]: n for (name, labels), n in samples.items() if name == "alarms_raised"}

    assert raised
    assert found == raised
    for severity in ("alarm", "note"):
        n = sum(count for (its, _), count in raised.items() if its == severity)
        assert samples["alarms", (severity,)] == n


def test_no_name_of_a_home_is_a_label(night: NightResult) -> None:
    assert "ghost" not in (night.folder / NAME).read_text(encoding="utf-8")
    assert (pl.read_parquet(night.folder / "rejects.parquet")["row"].str.contains("ghost")).any()


def test_reasons_are_few_and_hold_no_text_of_a_row() -> None:
    reasons = [(f"fault: '{number} Elm Row' is not a fault", 2) for number in range(50)]
    many = [(f"rule {number} is broken", 1) for number in range(2 * MOST_REASONS)]
    kinds = reject_kinds(pl.DataFrame([*reasons, *many], schema=["reason", "count"], orient="row"))

    assert kinds["fault",] == 100
    assert kinds["other",] == MOST_REASONS + 1
    assert sum(kinds.values()) == 100 + 2 * MOST_REASONS
    assert len(kinds) == MOST_REASONS + 1


def test_the_file_is_there_under_latest(night: NightResult) -> None:
    latest: Path = night.folder.parent.parent / "latest"
    assert (latest / NAME).is_file()
