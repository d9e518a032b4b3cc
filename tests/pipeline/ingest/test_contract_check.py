"""`nightclamp check`: one line a problem; a lake in the contract has none that fail."""

from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from check_lines import lines, problems
from lakes import DAY, SITES, build_lake, put, rows

from pipeline.ingest.check_problem import Problem


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    root = build_lake(tmp_path / "lake")
    (root / "trainings.csv").write_text("crew_id,trained_on,topic\n")
    put(root, "1.parquet", pl.concat([rows("a"), rows("b")]))
    return root


def test_a_lake_in_the_contract_has_nothing_to_say(lake: Path) -> None:
    assert problems(lake) == []


def test_bad_rows_are_counted_by_reason_with_an_example(lake: Path) -> None:
    put(lake, "2.parquet", rows("b", l1_w=100_000.0))
    put(lake, "3.csv", rows("z").head(2))
    assert lines(lake) == [
        (
            "fail",
            "intervals/date=2025-06-01/2.parquet row 1",
            "l1_w is more than the service can carry: |W| above 36000 (96 rows of 290; this one: "
            "site_id=b, interval_start=2025-06-01 00:00:00, l1_w=100000.0, l2_w=200.0, pv_w=0.0)",
        ),
        (
            "fail",
            "intervals/date=2025-06-01/3.csv row 1",
            "unknown home: site_id is not in sites (2 rows of 290; this one: "
            "site_id=z, interval_start=2025-06-01 00:00:00, l1_w=300.0, l2_w=200.0, pv_w=0.0)",
        ),
    ]


def test_files_that_can_not_be_used_are_named_each(lake: Path) -> None:
    put(lake, "2.csv", rows("a").drop("pv_w").write_csv())
    put(lake, "3.csv", "")
    assert lines(lake) == [
        ("fail", "intervals/date=2025-06-01/2.csv", "the file has no column pv_w"),
        ("fail", "intervals/date=2025-06-01/3.csv", "the file is empty: there is no header line"),
    ]


def test_registers_rejects_are_told(lake: Path) -> None:
    (lake / "visits.csv").write_text("visit_id,site_id,visited_on,found\nv1,a,2025-01-01,revrsed\n")
    told = "found: 'revrsed' is not known; did you mean 'reversed'? (1 row)"
    assert lines(lake) == [("fail", "visits.csv row 1", told)]


def test_without_a_register_of_homes_all_else_is_told_all_the_same(lake: Path) -> None:
    (lake / "sites.csv").write_text("home\na\n")
    (lake / "visits.csv").write_text("visit_id,site_id\nv1,a\n")
    put(lake, "1.parquet", pl.concat([rows("a"), rows("b")]).with_columns(wind_ms=pl.lit(1.0)))
    told = lines(lake)
    assert [line for line in told if line[0] == "fail"] == [
        ("fail", "registers", f"{lake}/sites.csv: no column site_id"),
        ("fail", "registers", f"{lake}/visits.csv: no column visited_on"),
        ("fail", "sites", "not one usable home"),
    ]
    assert Problem(
        "note",
        "sites.csv",
        "column home is not in the contract: not read",
        'if it is site_id, write site_id = "home" in lake.toml [sites]',
    ) in problems(lake)
    assert any("column wind_ms is not in the contract" in what for _, _, what in told)


def test_the_reason_of_every_home_is_told_where_none_is_left(lake: Path) -> None:
    head = SITES.splitlines()[0]
    bad = ["c,Mountain,39,-105,n,120/240,200,5,true,c1,", "d,Pacific,39,-105,n,120/240,200,5,true,c1,"]
    bad += [f"e{n},UTC,9{n},-105,n,120/240,200,5,true,c1," for n in range(1, 8)]
    bad += [",UTC,39,-105,n,120/240,200,5,true,c1,", "f,UTC,39,-105,n,120/240,200,5,true,c1,0001-01-01"]
    (lake / "sites.csv").write_text("\n".join([head, *bad]) + "\n")
    told = [line for line in lines(lake) if line[0] == "fail"]
    assert told == [
        (
            "fail",
            "sites.csv row 1",
            "timezone: 'Mountain' is not an IANA time zone; did you mean 'US/Mountain'? (2 rows: 1, 2)",
        ),
        ("fail", "sites.csv row 3", "latitude: 91 is outside -90 to 90 (7 rows: 3, 4, 5, 6, 7 and 2 more)"),
        ("fail", "sites.csv row 10", "site_id is missing (1 row)"),
        (
            "fail",
            "sites.csv row 11",
            "commissioned_on: 0001-01-01 is outside 1970-01-01 to 2100-12-31 (1 row)",
        ),
        ("fail", "sites", "not one usable home"),
    ]
    assert not any("nightclamp check" in what for _, _, what in lines(lake))


def test_a_register_that_can_not_be_used_does_not_hide_what_is_wrong_with_the_days(lake: Path) -> None:
    (lake / "crews.csv").write_bytes(b"\xff\xfe")
    put(lake, "2.parquet", rows("b", l1_w=100_000.0))
    told = [(where, what[:30]) for severity, where, what in lines(lake) if severity == "fail"]
    assert told == [
        ("registers", f"{lake}/crews.csv: cannot"[:30]),
        ("intervals/date=2025-06-01/2.parquet row 1", "l1_w is more than the service "),
    ]


def test_the_utility_s_files_are_counted(lake: Path) -> None:
    (lake / "meters.csv").write_text("site_id,usage_point\na,u1\n")
    assert ("note", "utility", "no file, but meters names 1 usage point") in lines(lake)
    (lake / "utility").mkdir()
    (lake / "utility" / "feed.xml").write_text("<feed/>")
    (lake / "utility" / "feed.pdf").write_text("x")
    told = problems(lake)
    hint = f"nightclamp utility {lake} says what they hold"
    assert Problem("note", "utility", "1 file; meters names 1 usage point", hint) in told
    assert [p.where for p in told if "utility/" in p.where] == ["utility/feed.pdf"]


def test_strange_crews_and_empty_facts_are_noted(lake: Path) -> None:
    (lake / "sites.csv").write_text(SITES.replace("5.0,false,c1", ",false,c9"))
    (lake / "trainings.csv").unlink()
    assert lines(lake) == [
        ("note", "trainings", "no such register"),
        ("note", "sites", "crew_id 'c9' is not in crews (1 home)"),
        ("note", "sites", "pv_kw is empty for 1 home"),
    ]


def test_homes_with_gaps_two_lengths_odd_starts_or_no_rows_are_noted(lake: Path) -> None:
    sites = SITES + "".join(f"{s},,,,,,,,,,\n" for s in "cdef") + "later,,,,,,,,,,2025-06-02\n"
    (lake / "sites.csv").write_text(sites.replace(",,,,,,,,,,\n", ",UTC,0,0,n,single,100,5,true,c1,\n"))
    fives = rows("c", minutes=5)
    put(lake, "c.parquet", pl.concat([fives[:144], rows("c")[48:]]))
    put(lake, "d.parquet", rows("d")[:72])
    put(lake, "e.parquet", rows("e")[:95].with_columns(pl.col("interval_start").dt.offset_by("7m")))
    homes = [line for line in lines(lake) if " home " in line[1]]
    assert homes == [
        ("note", "intervals/date=2025-06-01 home f", "no usable row"),
        ("note", "intervals/date=2025-06-01 home c", "33.3 % of the intervals are missing"),
        ("note", "intervals/date=2025-06-01 home d", "25.0 % of the intervals are missing"),
        ("note", "intervals/date=2025-06-01 home e", "95 of 95 starts are not on whole intervals of 15 min"),
        ("note", "intervals/date=2025-06-01 home c", "intervals of 5 min and of 15 min (25 % of steps)"),
    ]


def test_a_length_outside_the_contract_is_noted(lake: Path) -> None:
    put(lake, "1.parquet", pl.concat([rows("a"), rows("b", minutes=20)]))
    assert ("note", "intervals/date=2025-06-01 home b", "intervals of 20 min") in lines(lake)


def test_many_homes_alike_are_summed_up(lake: Path) -> None:
    more = "".join(f"h{n},UTC,0,0,n,single,100,5,true,c1,\n" for n in range(9))
    (lake / "sites.csv").write_text(SITES + more)
    told = [p.what for p in problems(lake)]
    assert told.count("no usable row") == 5
    assert "4 more homes like these (absent)" in told


def test_days_in_the_future_and_odd_names_are_told(lake: Path) -> None:
    put(lake, "1.parquet", rows("a", date(2199, 1, 1)), date(2199, 1, 1))
    put(lake, "readme.txt", "x")
    assert lines(lake) == [
        (
            "note",
            "intervals/date=2025-06-01/readme.txt",
            "not one of .parquet, .csv, .csv.gz; it is not read",
        ),
        ("fail", "intervals/date=2199-01-01", "lies in the future"),
    ]


def test_only_the_newest_days_are_read_unless_all_are_asked_for(lake: Path) -> None:
    for ahead in range(1, 5):
        day = DAY + timedelta(days=ahead)
        put(lake, "1.parquet", pl.concat([rows("a", day), rows("b", day)]), day)
    put(lake, "2.csv", "")
    (note,) = problems(lake)
    assert note.what == "read the newest 3 of 5 days"
    (found,) = problems(lake, all_days=True)
    assert found.what == "the file is empty: there is no header line"


def test_the_mapping_and_what_nothing_reads_are_told(lake: Path) -> None:
    (lake / "lake.toml").write_text('[intervals]\ncolumns.l1_w = { from = "kw", unit = "kW" }\n')
    own = pl.concat([rows("a"), rows("b")]).rename({"l1_w": "kw"})
    put(lake, "1.parquet", own.with_columns(kw=pl.col("kw") / 1000, l1_volts=pl.lit(120.0)))
    assert problems(lake) == [
        Problem("note", "lake.toml", "intervals.l1_w: from 'kw' in kW"),
        Problem(
            "note",
            "intervals/date=2025-06-01/1.parquet",
            "column l1_volts is not in the contract: not read",
            'if it is l1_v, write l1_v = "l1_volts" in lake.toml [intervals.columns]',
        ),
    ]


def test_replaced_rows_are_counted(lake: Path) -> None:
    put(lake, "2.parquet", rows("a"))
    told = ("note", "intervals/date=2025-06-01", "96 rows replaced by the same or a later one")
    assert lines(lake) == [told]


def test_a_misspelt_column_of_a_register_is_outside_the_contract(lake: Path) -> None:
    sites = (lake / "sites.csv").read_text()
    assert "latitude" in sites
    (lake / "sites.csv").write_text(sites.replace("latitude", "lattitude"))
    what = "column lattitude is not in the contract: not read"
    hint = "did you mean 'latitude'? rename it, or write latitude = \"lattitude\" in lake.toml [sites]"
    assert Problem("fail", "sites.csv", what, hint) in problems(lake)


def test_any_other_column_is_noted_with_the_nearest_one(lake: Path) -> None:
    sites = (lake / "sites.csv").read_text()
    (lake / "sites.csv").write_text(sites.replace("timezone", "tz").replace("area", "AREA"))
    (lake / "crews.csv").write_text("crew_id,shirt\nc1,red\n")
    told = {p.where: (p.severity, p.what.split()[1], p.hint) for p in problems(lake) if "column" in p.what}
    assert told == {
        "sites.csv": ("note", "tz", 'if it is timezone, write timezone = "tz" in lake.toml [sites]'),
        "crews.csv": ("note", "shirt", "the nearest column is 'crew_id'"),
    }


def test_a_column_that_lake_toml_names_is_known(lake: Path) -> None:
    sites = (lake / "sites.csv").read_text()
    (lake / "sites.csv").write_text(sites.replace("latitude", "lattitude"))
    (lake / "lake.toml").write_text('[sites]\nlatitude = "lattitude"\nservice = { always = "single" }\n')
    assert not [p for p in problems(lake) if "column" in p.what]
