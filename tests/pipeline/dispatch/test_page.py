"""Pages of a plan, read back: the truck carries its orders' kits, counts are the tables', safety calls come first."""

import re
from pathlib import Path
from typing import Any

import polars as pl
from dispatch_homes import FRIDAY, MONDAY, START, plan, publish_night, settings, stops, truck
from example_safety import call
from orders_example import Wish
from orders_example import home as example_home
from page import Page

from pipeline.core.settings import load_settings
from pipeline.dispatch.page import Links, PageInput, write_pages
from pipeline.dispatch.run import DispatchResult, dispatch_night
from pipeline.faults.catalogue import CATALOGUE
from pipeline.report.fault_cards import fault_cards
from pipeline.report.names import page_name
from pipeline.workorder.build import build_order

VISITS = [name for name, fault in CATALOGUE.items() if fault.remedy.fix_by == "visit"]
QUANTITY = re.compile(r"(?:(?P<quantity>\d+) × )?(?P<name>.+?)(?: stops? (?P<stops>[\d, ]+))?")
TRUCK_PAGE = f"{MONDAY}-{page_name('T1')}"
FAR = {"latitude": START[0] + 3}


def dispatched(folder: Path, *homes: dict[str, Any], **register: Any) -> DispatchResult:
    publish_night(folder, *homes, register=register)
    return dispatch_night(folder / "lake", folder / "out", settings(trucks=1, days=1, hours=12.0))


def things(texts: list[str]) -> dict[str, tuple[int, str | None]]:
    """Name -> (quantity, the stops that it names)."""
    found = {}
    for text in texts:
        match = QUANTITY.fullmatch(" ".join(text.split()))
        assert match, text
        found[match["name"]] = int(match["quantity"] or 1), match["stops"]
    return found


def loaded(folder: Path) -> dict[str, tuple[int, str | None]]:
    page = Page(folder / TRUCK_PAGE)
    assert page.mistakes == []
    return things([element.text for element in page.all("span", **{"class": "thing"})])


def text_of(file: Path) -> str:
    page = Page(file)
    assert page.mistakes == []
    return " ".join(page.all("body")[0].text.split())


def test_everything_on_each_order_is_on_the_trucks_list_with_its_quantity(tmp_path: Path) -> None:
    legs = {
        fault: "both" if "both" in CATALOGUE[fault].legs_of(2) else CATALOGUE[fault].legs_of(2)[0]
        for fault in VISITS
    }
    wishes = [Wish(fault, leg, site_id=f"h{row}") for row, (fault, leg) in enumerate(legs.items())]
    homes = [{"suspected_fault": wish.fault, "leg": wish.leg} for wish in wishes]
    done = dispatched(tmp_path, *homes, cts_per_leg=2.0, lead_extended=True)
    load = loaded(done.folder)
    stop_of = dict(done.plan.dispatch.select("site_id", "stop").iter_rows())
    assert sorted(stop_of) == [wish.site_id for wish in wishes]

    needed: dict[str, int] = {}
    for wish in wishes:
        order = build_order(example_home(wish), CATALOGUE, load_settings())
        assert "proving unit for the voltage tester" in order.bring
        for name, (quantity, _) in things(list(order.bring)).items():
            numbers = load[name][1]
            assert numbers is None or str(stop_of[wish.site_id]) in numbers.split(", "), (wish.fault, name)
            needed[name] = needed.get(name, 0) + quantity
    parts = {name: quantity for name, (quantity, _) in load.items() if needed[name] == quantity}
    tools = {name: quantity for name, (quantity, _) in load.items() if name not in parts}
    assert load.keys() == needed.keys()
    assert parts["spare CT, 200 A"] > len(wishes)
    assert set(tools.values()) == {1}
    assert "clamp meter" in tools


def test_a_stop_has_both_likelihoods_and_what_goes_beyond_the_standard_kit(tmp_path: Path) -> None:
    done = dispatched(
        tmp_path, {"fault_likelihood": 0.86, "likelihood": 0.997}, {"suspected_fault": "opposed_pair"}
    )
    assert done.plan.dispatch.filter(site_id="h0")["fault_likelihood"].to_list() == [0.86]
    text = text_of(done.folder / TRUCK_PAGE)
    assert "no signal (open lead) L1 86 % this fault, over 99 % any fault" in text
    assert "spare CT, 200 A; 4 × insulation-displacement connector; multimeter" in text
    assert "standard test and safety kit" not in text


def test_the_first_page_counts_as_the_tables_do(tmp_path: Path) -> None:
    done = dispatched(tmp_path, {}, {}, FAR, {"latitude": None})
    text = text_of(done.folder / "index.html")
    unscheduled = done.plan.undispatched
    assert (done.plan.dispatch.height, unscheduled.height) == (2, 2)
    assert (
        "2 of 4 listed visits are planned, 2 unscheduled (too far for a shift: 1; "
        "no coordinates and no drive time: 1)." in text
    )
    for row in unscheduled.iter_rows(named=True):
        assert f"{row['site_id']} {row['area']} {row['priority']:.2f} {row['why']}" in text


def test_a_safety_call_comes_first_and_no_truck_goes_there(tmp_path: Path) -> None:
    publish_night(tmp_path, {}, {}, calls=(call("h1"), call("b", area=None)))
    done = dispatch_night(tmp_path / "lake", tmp_path / "out", settings(trucks=1, days=1))
    assert done.plan.dispatch["site_id"].to_list() == ["h0"]
    index = text_of(done.folder / "index.html")
    assert index.index("2 safety calls first") < index.index("listed visits are planned")
    assert "h1, north: call now; no visit is planned" in index
    links = {link.attributes["href"] for link in Page(done.folder / "index.html").all("a")}
    assert f"../../runs/{FRIDAY}/report/homes.html#h1" in links
    assert "1 of 2 listed visits are planned, 1 unscheduled (a safety call comes first: 1)" in index
    assert "afety call" not in text_of(done.folder / TRUCK_PAGE)


def test_estimated_drives_say_so_and_supplied_ones_do_not(tmp_path: Path) -> None:
    publish_night(tmp_path, {}, {})
    lake = tmp_path / "lake"

    def trip(rows: str | None) -> tuple[str, int]:
        if rows is not None:
            (lake / "drive_times.csv").write_text(f"from_site,to_site,minutes\n{rows}", encoding="utf-8")
        done = dispatch_night(lake, tmp_path / "out", settings(trucks=1, days=1))
        page = Page(done.folder / TRUCK_PAGE)
        marks = len(page.all("span", **{"class": "estimated"}))
        return text_of(done.folder / TRUCK_PAGE), marks

    text, marks = trip(None)
    assert "0 min driving (estimated)" in text
    assert "Drive times are estimated from the distance" in text
    assert marks == 0
    text, marks = trip("start,h0,5\nh0,h1,7\nh1,start,9\n")
    assert "21 min driving (supplied)" in text
    assert "Drive times are as supplied" in text
    assert "estimated" not in text
    text, marks = trip("start,h0,5\n")
    assert "5 min driving (partly estimated)" in text
    assert marks == 2  # between the homes, and at one end of the round


def test_pages_link_to_the_report_the_orders_and_the_calendars(tmp_path: Path) -> None:
    publish_night(tmp_path, {}, {})
    out = tmp_path / "out"
    orders, report = out / "orders" / str(FRIDAY), out / "runs" / str(FRIDAY) / "report"
    home = page_name("h0")
    for file in (orders / "index.html", orders / home, report / "index.html", report / "home" / home):
        file.parent.mkdir(parents=True, exist_ok=True)
        file.touch()
    done = dispatch_night(tmp_path / "lake", out, settings(trucks=1, days=1))
    for name, wanted in (("index.html", 3), (TRUCK_PAGE, 3)):
        targets = {element.attributes["href"] for element in Page(done.folder / name).all("a")} - {"#main"}
        assert all((done.folder / target).resolve().is_file() for target in targets), targets
        assert len(targets) > wanted
    assert (done.folder / f"../../orders/{FRIDAY}/{page_name('h0')}").resolve().is_file()
    assert "1 of 2 stops has its work order." in text_of(done.folder / "index.html")


def test_an_address_is_shown_where_a_crew_may_see_it(tmp_path: Path) -> None:
    planned, listed = plan(stops({}, {}), [truck()]), stops({}, {})
    contacts = {"h1": {"address": "1 <Mill> Lane", "access_note": "gate on the left"}}
    night = PageInput(
        as_of=FRIDAY, plan=planned, stops=listed, trucks=[truck()], kits={}, notes=[], faults=fault_cards(),
        safety_calls=pl.DataFrame(schema=dict.fromkeys(("site_id", "safety_call", "area"), pl.String)),
        links=Links("report"),
        calendars={}, contacts=contacts, currency="EUR",
    )  # fmt: skip
    write_pages(tmp_path, night, page_rows=5)
    text = text_of(tmp_path / TRUCK_PAGE)
    assert "1 <Mill> Lane Access: gate on the left" in " ".join(text.split()).replace(
        "LaneAccess", "Lane Access"
    )
    index = text_of(tmp_path / "index.html")
    assert "Mill" not in index
    assert "Expected value less drive, EUR" in index


def test_a_round_of_three_line_homes_speaks_of_lines_and_takes_what_suits_their_volts(tmp_path: Path) -> None:
    homes = ({"leg": "l1+l3", "suspected_fault": "dead"}, {}, {})
    publish_night(tmp_path, *homes, register={"service": "230/400"}, calls=(call("h2"),))
    done = dispatch_night(tmp_path / "lake", tmp_path / "out", settings(trucks=1, days=1))
    text = text_of(done.folder / TRUCK_PAGE)
    assert "or lines whose voltages drift apart under load" in text
    assert "voltage tester rated CAT IV, 600 V or more" in text
    assert "300 V" not in text
    assert "L1 and L3" in text
    assert "2 × spare CT, 200 A" in text
    assert "The lines' voltages move apart with load" in text_of(done.folder / "index.html")
    calendar = (done.folder / "calendar.ics").read_text(encoding="utf-8")
    assert "no signal (open lead)\\, L1 and L3 suspected" in calendar.replace("\r\n ", "")
