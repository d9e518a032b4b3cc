"""Where a customer's address, name, access note and the notes of visits are, and that they are nowhere else."""

from __future__ import annotations

import logging
import shutil
import stat
from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.commands.app import app

SAMPLE = Path(__file__).parents[3] / "sample_lake"
OPEN_HOME = "H00037"  # listed, and visited in vain
CONTACTS = ("77 Secretstreet", "Ms Secretname", "gatecode-Secret-4711")
NOTE = "Secretnote of a neighbour"
SECRETS = (*CONTACTS, NOTE)


@pytest.fixture(scope="module")
def lake(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample with contacts, a note on each visit, and rows that are rejected with theirs."""
    root = tmp_path_factory.mktemp("private") / "lake"
    shutil.copytree(SAMPLE, root)
    address, customer, access = (pl.lit(text) for text in CONTACTS)
    sites = pl.read_csv(root / "sites.csv", infer_schema=False)
    sites = sites.with_columns(address=address, customer=customer, access_note=access)
    rejected = sites.head(1).with_columns(site_id=pl.lit("bad"), pv_kw=pl.lit("lots"))
    pl.concat([sites, rejected]).write_csv(root / "sites.csv")
    visits = pl.read_csv(root / "visits.csv", infer_schema=False).with_columns(note=pl.lit(NOTE))
    rejected = visits.head(1).with_columns(visit_id=pl.lit("VX"), site_id=pl.lit("nowhere"))
    text = pl.concat([visits, rejected]).write_csv() + f"VY,H00001,2026-06-01,C01,dead,l1,true,{NOTE}, more\n"
    (root / "visits.csv").write_text(text, encoding="utf-8")
    return root


def morning(lake: Path, out: Path, *settings: str) -> None:
    """Run the night, its orders and its plan as a user does."""
    for command in (["nightly", str(lake)], ["orders"], ["dispatch", str(lake)], ["explain", OPEN_HOME]):
        options = [] if command[0] == "explain" else list(settings)
        with pytest.raises(SystemExit) as done:
            app([*command, "--out", str(out), *options])
        assert done.value.code in (0, 3)


def texts(out: Path) -> Iterator[tuple[str, str]]:
    """Yield each file of OUT by its place, the run's folder being "run", and what can be read in it."""
    for path in sorted(out.rglob("*")):
        if not path.is_file() or path.is_symlink():
            continue
        place = path.relative_to(out).as_posix()
        if place.startswith("runs/.whole/"):
            place = "run/" + place.split("/", 3)[3]
        if path.suffix == ".parquet":
            yield place, str(pl.read_parquet(path).rows())
        elif path.suffix == ".duckdb":
            with duckdb.connect(str(path), read_only=True) as con:
                names = [name for (name,) in con.sql("SHOW TABLES").fetchall()]
                yield place, str([con.table(name).fetchall() for name in names])
        else:
            yield place, path.read_bytes().decode("utf-8", errors="replace")


def places_of(out: Path, secret: str) -> set[str]:
    """Return the kinds of files a secret is in: the folder of pages, the name of others."""
    places = {place for place, text in texts(out) if secret in text}
    return {place.rsplit("/", 1)[0] if place.endswith(".html") else place for place in places}


def file_names(out: Path) -> str:
    return " ".join(str(path) for path in out.rglob("*")).lower()


@pytest.mark.heavy
def test_what_is_private_is_on_orders_and_in_private_tables_only(
    lake: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    out = tmp_path / "out"
    morning(lake, out)

    said = "".join(capfd.readouterr()) + caplog.text
    assert "H00037" in said
    assert [secret for secret in SECRETS if secret in said] == []
    assert "secret" not in file_names(out).replace(str(tmp_path).lower(), "")
    for secret in CONTACTS:
        assert places_of(out, secret) == {"run/private/site_contact.parquet", "orders/2026-06-14"}
    assert places_of(out, NOTE) == {
        "run/private/visit_note.parquet", "orders/2026-06-14", "run/report/home", "dispatch/2026-06-14",
    }  # fmt: skip
    private = (out / "latest" / "private").resolve()
    assert stat.S_IMODE(private.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in private.iterdir()} == {0o600}
    sheets = [path for path in (out / "orders/2026-06-14").glob("*.html") if CONTACTS[0] in path.read_text()]
    assert {stat.S_IMODE(path.stat().st_mode) for path in sheets} == {0o600}
    for text in (path.read_text() for path in (out / "orders/2026-06-14").rglob("*.html")):
        assert not [part for part in text.split('href="')[1:] if "secret" in part.split('"')[0].lower()]


@pytest.mark.heavy
def test_the_settings_say_who_else_reads_it(lake: Path, tmp_path: Path) -> None:
    out, own = tmp_path / "out", tmp_path / "own.toml"
    own.write_text("[privacy]\nshare_contacts = true\nnotes_on_pages = false\n", encoding="utf-8")
    morning(lake, out, "--settings", str(own))

    shared = {
        "run/private/site_contact.parquet",
        "run/sites.parquet",
        "run/nightclamp.duckdb",
        "orders/2026-06-14",
    }
    address, customer, access = CONTACTS
    assert places_of(out, customer) == shared
    for secret in (address, access):  # a truck needs to get there
        assert places_of(out, secret) == shared | {"dispatch/2026-06-14"}
    assert places_of(out, NOTE) == {"run/private/visit_note.parquet", "orders/2026-06-14"}
