"""The form for a phone: one file, a policy that allows its script alone, and a row that the night's reader takes."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import shutil
import subprocess
from collections.abc import Callable
from datetime import date
from importlib import resources
from pathlib import Path

import pytest
from lakes import build_lake, put, rows
from orders_example import ADDRESS, HOSTILE, Wish
from sheet import Sheet

from pipeline.core.contract import FINDINGS, Visit
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.report.names import page_name
from pipeline.workorder.order import Order
from pipeline.workorder.write import form_page

OrderOf = Callable[[Wish], Order]
SCRIPT = resources.files("pipeline.workorder") / "static" / "visit_form.js"
COLUMNS = Visit.column_names()


def run_script(expression: str) -> object:
    """Return what an expression over the form's functions gives, as a browser's engine says it."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("no Node here: the browser's test reads the form")
    code = f"const form = require({json.dumps(str(SCRIPT))}); console.log(JSON.stringify({expression}));"
    done = subprocess.run([node, "-e", code], capture_output=True, text=True, check=True, timeout=60)
    return json.loads(done.stdout)


def test_the_policy_allows_the_files_own_script_and_nothing_else(order_of: OrderOf) -> None:
    html = form_page(order_of(Wish("reversed", "l1")))
    (script,) = re.findall(r"<script>(.*?)</script>", html, flags=re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]+)"', html)
    assert policy == (
        f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'; base-uri 'none'; "
        "form-action 'none'"
    )
    assert not re.findall(r'\s(?:src|on\w+)="', html)
    assert re.findall(r'href="([^"]+)"', html) == [f"../{page_name('H1')}"]


def test_the_form_knows_the_visit_the_findings_and_their_legs(order_of: OrderOf) -> None:
    order = order_of(Wish("dead", "l2"))
    sheet = Sheet(form_page(order))
    assert sheet.mistakes == []
    inputs = [attributes for tag, attributes in sheet.tags if tag == "input"]
    known = {each["name"]: each["value"] for each in inputs if each.get("type") == "hidden"}
    assert known == {"visit_id": order.record.visit_id, "site_id": "H1"}
    found = {each["value"]: each["data-legs"] for each in inputs if each.get("name") == "found"}
    assert sorted(found) == sorted(FINDINGS)
    assert found == {finding.code: " ".join(finding.legs) for finding in order.record.findings}
    (form,) = [attributes for tag, attributes in sheet.tags if tag == "form"]
    assert form["data-columns"].split() == COLUMNS
    assert form["data-first"] == "2026-03-02"


def test_nothing_of_the_customer_is_on_the_form_and_a_hostile_id_stays_text(order_of: OrderOf) -> None:
    visit = {"visit_id": "V1", "visited_on": date(2026, 6, 1), "note": "asked for Mr Sample"}
    html = form_page(order_of(Wish("reversed", "l1", contact=ADDRESS, visits=(visit,))))
    assert not [text for text in (*ADDRESS.values(), "Mr Sample") if text in html]
    hostile = Sheet(form_page(order_of(Wish("reversed", "l1", site_id=HOSTILE))))
    assert hostile.mistakes == []
    assert [tag for tag, _ in hostile.tags].count("script") == 1
    values = [attributes.get("value") for tag, attributes in hostile.tags if tag == "input"]
    assert HOSTILE in values


NOTES = (
    "panel cover rusted shut, bring oil",
    '=HYPERLINK("x")',
    "-2 W; =1+1",
    'said "no"',
    "ümlaut – dash",
    "",
)


def test_the_row_is_read_back_as_it_was_typed_and_as_the_nights_csv_would_write_it(tmp_path: Path) -> None:
    values = [
        {"visit_id": f"V-{number}", "site_id": "a", "visited_on": "2025-05-20", "crew_id": "C1",
         "found": "legs_crossed", "leg": "both", "fixed": "true", "note": note}
        for number, note in enumerate(NOTES)
    ]  # fmt: skip
    cells = [[value[name] for name in COLUMNS] for value in values]
    lines = run_script(f"{json.dumps(cells)}.map((cells) => form.csvLine(cells))")
    assert isinstance(lines, list)

    lake = build_lake(tmp_path / "lake")
    put(lake, "1.parquet", rows("a"))
    (lake / "visits.csv").write_text("\n".join([",".join(COLUMNS), *lines]) + "\n", encoding="utf-8")
    opened = open_lake(lake)
    registers = read_registers(opened, opened.days()[-1])
    assert registers.rejects.height == 0
    assert registers.visits.height == len(NOTES)
    assert registers.visits.row(0, named=True)["leg"] == "both"
    assert registers.visits["fixed"].to_list() == [True] * len(NOTES)
    assert dict(registers.notes.iter_rows()) == {
        "V-0": NOTES[0], "V-1": f"'{NOTES[1]}", "V-2": "'-2 W; '=1+1", "V-3": NOTES[3], "V-4": NOTES[4],
    }  # fmt: skip


def test_the_rule_for_cells_is_the_lists() -> None:
    """Both pages stand alone, so each has the rule; this holds them equal."""
    rules = []
    for package, name in (("pipeline.report", "list.js"), ("pipeline.workorder", "visit_form.js")):
        text = (resources.files(package) / "static" / name).read_text(encoding="utf-8")
        (rule,) = re.findall(r"const formula = .*?\n *\}\n", text, flags=re.DOTALL)
        rules.append(" ".join(rule.split()))
    assert rules[0] == rules[1]


RIGHT = {"visited_on": "2026-06-15", "found": "dead", "leg": "l1", "fixed": "true"}
DAYS = {"legs": ["l1", "l2"], "first": "2026-03-02", "today": "2026-06-15"}


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({}, None),
        ({"visited_on": ""}, "visited_on"),
        ({"visited_on": "2026-06-16"}, "visited_on"),
        ({"visited_on": "2026-03-01"}, "visited_on"),
        ({"found": ""}, "found"),
        ({"leg": ""}, "leg"),
        ({"leg": "both"}, "leg"),
        ({"fixed": ""}, "fixed"),
    ],
)
def test_what_the_register_would_refuse_is_said_on_the_form(
    change: dict[str, str], field: str | None
) -> None:
    wrong = run_script(f"form.mistakes({json.dumps(RIGHT | change)}, {json.dumps(DAYS)})")
    assert isinstance(wrong, dict)
    assert list(wrong) == ([field] if field else [])


def test_a_home_without_fault_needs_no_leg() -> None:
    values = json.dumps(RIGHT | {"found": "sound", "leg": "", "fixed": "false"})
    assert run_script(f"form.mistakes({values}, {json.dumps(DAYS | {'legs': []})})") == {}


def test_a_note_of_several_lines_is_one_line() -> None:
    assert run_script("form.oneLine(' rusted\\n\\tshut\\u0007 ')") == "rusted shut"
