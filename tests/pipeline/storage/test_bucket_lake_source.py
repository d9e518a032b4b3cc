"""A lake in an object store is the lake of the same files in a folder; what it is named can do no harm."""

from __future__ import annotations

import pickle
from datetime import date
from pathlib import Path

import pytest
from lakes import DAY, SITES, build_lake, put, rows
from s3_server import KEY, SECRET, Server

from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.ingest.contract_check import check_lake
from pipeline.ingest.lake import Lake, open_lake
from pipeline.ingest.registers import read_registers

TODAY = date(2025, 7, 1)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    root = build_lake(tmp_path / "lake", sites=SITES + "b,,,,,,,,,,\nc,,95,,,,,,,,\n")
    put(root, "a.parquet", rows("a").with_columns(l3_w=1.0))
    put(root, "b.csv.gz", b"no gzip")
    put(root, "c.csv", rows("b"))
    put(root, "notes.txt", "hello")
    put(root, "_SUCCESS", "")
    put(root, "sub/x.csv", "x")
    put(root, "x.csv", "x", date(2199, 1, 1))
    (root / "intervals" / "stray.csv").write_text("x")
    (root / "intervals" / "2025-06-02").mkdir()
    (root / "intervals" / "2025-06-02" / "x.csv").write_text("x")
    return root


@pytest.fixture
def far(folder: Path, s3: Server) -> Lake:
    s3.upload(folder, s3.bucket, "fleet")
    for mark in ("intervals/", f"intervals/date={DAY}/"):  # as some tools put for folders
        s3.client().put_object(Bucket=s3.bucket, Key=f"fleet/{mark}", Body=b"")
    return open_lake(f"s3://{s3.bucket}/fleet/")


def test_it_holds_what_the_folder_holds(far: Lake, folder: Path, s3: Server) -> None:
    near = open_lake(folder)
    assert str(far.root) == f"s3://{s3.bucket}/fleet"
    assert far.days() == near.days()
    assert far.oddities() == near.oddities()
    assert [(file.name, file.size) for file in far.files(DAY)] == [
        (file.name, file.size) for file in near.files(DAY)
    ]
    ours, theirs = read_registers(far, DAY), read_registers(near, DAY)
    for name in ("sites", "crews", "visits", "rejects"):
        assert getattr(ours, name).equals(getattr(theirs, name)), name


def test_check_says_the_same_of_both(far: Lake, folder: Path) -> None:
    ours, theirs = (list(check_lake(lake, load_settings(), TODAY)) for lake in (far, open_lake(folder)))
    assert ours == theirs
    told = {one.what for one in ours}
    assert "lies in the future" in told
    assert any(what.startswith("l3_w is read where service is 120/240: judged as ") for what in told), told


def test_a_path_that_lost_a_slash_is_the_same_lake(far: Lake) -> None:
    assert open_lake(Path(str(far.root))).days() == far.days()


def test_the_fingerprint_turns_with_content_of_the_same_size(far: Lake, s3: Server) -> None:
    seen = {far.fingerprint(DAY)}
    assert {far.fingerprint(DAY)} == seen
    for body in (b"no gziq", b"no gzip and more"):
        s3.client().put_object(Bucket=s3.bucket, Key=f"fleet/intervals/date={DAY}/b.csv.gz", Body=body)
        seen.add(far.fingerprint(DAY))
    s3.client().delete_object(Bucket=s3.bucket, Key=f"fleet/intervals/date={DAY}/b.csv.gz")
    assert len(seen | {far.fingerprint(DAY)}) == 4


def test_registers_are_fetched_once_and_called_by_their_address(far: Lake, s3: Server) -> None:
    s3.client().put_object(Bucket=s3.bucket, Key="fleet/visits.csv", Body=b"visit_id\n1\n")
    lake = open_lake(f"s3://{s3.bucket}/fleet")
    s3.asked.clear()
    for _ in range(2):
        with pytest.raises(InputError, match=rf"^s3://{s3.bucket}/fleet/visits.csv: no column site_id"):
            read_registers(lake, DAY)
    fetched = [path for method, path in s3.asked if "list-type" not in path]
    assert sorted(set(fetched)) == sorted(fetched)


def test_a_register_that_is_replaced_while_it_is_fetched_is_fetched_again(folder: Path, s3: Server) -> None:
    s3.upload(folder, s3.bucket, "fleet")
    new = (folder / "sites.csv").read_text().replace("b,America", "z,America").encode()

    def replace_it() -> None:
        s3.client().put_object(Bucket=s3.bucket, Key="fleet/sites.csv", Body=new)

    s3.goes_wrong("wait", "GET", "/fleet/sites.csv", meet=replace_it)
    registers = read_registers(open_lake(f"s3://{s3.bucket}/fleet"), DAY)
    assert "z" in registers.sites["site_id"]


def test_a_lake_may_be_sent_to_another_process_without_its_keys(far: Lake) -> None:
    sent = pickle.dumps(far)
    assert KEY.encode() not in sent
    assert SECRET.encode() not in sent
    assert pickle.loads(sent).files(DAY) == far.files(DAY)


def test_hostile_names_stay_names(folder: Path, s3: Server, tmp_path: Path) -> None:
    names = [
        "x..%2f..%2fx.csv",
        "a\\..\\..\\x.csv",
        "\u202egpj.csv",
        "'; drop table x.csv",
        "l" * 800 + ".csv",
        "~.csv",
    ]
    for name in names:
        put(folder, "n.csv", rows("a"))
        body = (folder / "intervals" / f"date={DAY}" / "n.csv").read_bytes()
        s3.client().put_object(Bucket=s3.bucket, Key=f"fleet/intervals/date={DAY}/{name}", Body=body)
    (folder / "intervals" / f"date={DAY}" / "n.csv").unlink()
    s3.upload(folder, s3.bucket, "fleet")
    lake, workdir = open_lake(f"s3://{s3.bucket}/fleet"), tmp_path / "work"
    workdir.mkdir()
    before = {path for path in tmp_path.rglob("*") if workdir not in path.parents}

    files = lake.bring(lake.files(DAY), workdir)

    assert {f"intervals/date={DAY}/{name}" for name in names} < {file.name for file in files}
    assert {file.path.parent for file in files} == {workdir}
    assert {path for path in tmp_path.rglob("*") if workdir not in path.parents} == before
    lake.drop(files)
    assert list(workdir.iterdir()) == []


def test_utility_files_are_listed_and_brought(folder: Path, s3: Server, tmp_path: Path) -> None:
    (folder / "utility" / "old").mkdir(parents=True)
    for name, content in (("f.xml.gz", "x"), ("m.csv", "yy"), ("old/g.xml", "z"), ("notes.txt", "t")):
        (folder / "utility" / name).write_text(content, encoding="utf-8")
    s3.upload(folder, s3.bucket, "fleet")
    s3.client().put_object(Bucket=s3.bucket, Key="fleet/utility/", Body=b"")
    far, near = open_lake(f"s3://{s3.bucket}/fleet"), open_lake(folder)
    (files, odd), (ours, theirs) = far.utility_files(), near.utility_files()
    assert sorted((file.name, file.size) for file in files) == sorted((file.name, file.size) for file in ours)
    assert odd == theirs
    brought = far.bring(files, tmp_path)
    assert sorted(file.path.read_text() for file in brought) == ["x", "yy"]
    assert {file.path.suffix for file in brought} == {".gz", ".csv"}
    far.drop(brought)
    assert not any(file.path.exists() for file in brought)


def test_without_utility_files_there_are_none(far: Lake) -> None:
    assert far.utility_files() == ([], [])


@pytest.mark.parametrize(
    ("removed", "told"),
    [
        ("sites.csv", "no sites.csv or sites.parquet; put the register there"),
        ("intervals/", "no folder intervals; put the data in"),
        ("", "no sites.csv or sites.parquet"),
    ],
)
def test_what_is_missing_is_named(folder: Path, s3: Server, removed: str, told: str) -> None:
    s3.upload(folder, s3.bucket, "fleet")
    for name in s3.objects(s3.bucket):
        if name.startswith(f"fleet/{removed}"):
            s3.client().delete_object(Bucket=s3.bucket, Key=name)
    with pytest.raises(InputError, match=f"^s3://{s3.bucket}/fleet: {told}"):
        open_lake(f"s3://{s3.bucket}/fleet")
