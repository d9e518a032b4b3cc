"""What was promised before a visit, kept from night to night, as short stories."""

from datetime import date, timedelta

import polars as pl

from pipeline.core.contract import Visit
from pipeline.core.settings import load_settings
from pipeline.worklist import prediction_log
from pipeline.worklist.prediction_log import BOOK, SCHEMA, next_book, next_promise

OWN = load_settings().hit_rate.model_copy(update={"late_days": 10})
MONDAY = date(2026, 6, 1)
STANDING = {"site_id": pl.String, "last_visit_on": pl.Date, "proof": pl.String}


def day(number):
    return MONDAY + timedelta(days=number)


def listing(likelihood=0.8, fault="dead", site_id="A", since=None):
    """One home on a list."""
    return {
        "site_id": site_id,
        "likelihood": likelihood,
        "suspected_fault": fault,
        "leg": "l1",
        "since": since,
        "fix_by": "visit",
    }


def visit(on, found="dead", fixed=True, visit_id=None, site_id="A"):
    return {
        "visit_id": visit_id or f"V{on}", "site_id": site_id, "visited_on": day(on), "found": found, "fixed": fixed,
    }  # fmt: skip


def tell(nights):
    """Run the nights (number, listed, register[, standing]) in order; return book and promise after the last."""
    book = told = None
    for number, listed, register, *standing in nights:
        visits = pl.DataFrame(register, schema=pl.Schema(Visit))
        proofs = pl.DataFrame(standing[0] if standing else [], schema=STANDING)
        own = {"likelihood": pl.Float64, "since": pl.Date}
        lists = pl.DataFrame(listed, schema=dict.fromkeys(listing(), pl.String) | own)
        told = next_promise(told, book, visits, standing=proofs, as_of=day(number), settings=OWN)
        book = next_book(book, lists, day(number), settings=OWN)
    return book, told


def only(nights):
    _, told = tell(nights)
    assert told.height == 1
    return told.row(0, named=True)


def test_a_visit_is_held_against_the_list_of_the_night_before():
    row = only([(0, [listing(0.7)], []), (1, [listing(0.8)], []), (2, [listing(0.95)], [visit(2)])])
    assert (row["promised_on"], row["age_days"], row["likelihood"]) == (day(1), 1, 0.8)
    assert (row["is_hit"], row["is_named_right"], row["left_out"]) == (True, True, None)
    assert row["month"] == "2026-06"


def test_the_day_a_fault_was_said_to_have_begun_is_kept_with_the_promise():
    row = only([(0, [listing(since=day(-3))], []), (1, [], [visit(1)])])
    assert row["since"] == day(-3)


def test_a_book_of_a_run_that_kept_fewer_columns_still_serves():
    book, _ = tell([(0, [listing(since=day(-3))], [])])
    visits = pl.DataFrame([visit(1)], schema=pl.Schema(Visit))
    told = next_promise(
        None, book.drop("since"), visits, standing=pl.DataFrame(schema=STANDING), as_of=day(1), settings=OWN
    )
    assert told.select("likelihood", "since").row(0) == (0.8, None)


def test_a_record_that_comes_days_later_is_still_held_against_the_night_before():
    later = [(number, [listing(0.99)], []) for number in range(3, 8)]
    row = only([(0, [listing(0.7)], []), *later, (8, [listing(0.99)], [visit(2)])])
    assert (row["promised_on"], row["age_days"], row["likelihood"]) == (day(0), 2, 0.7)


def test_a_record_older_than_the_book_tests_nothing():
    row = only([(0, [listing()], []), (20, [], [visit(12)])])
    assert (row["likelihood"], row["left_out"]) == (None, prediction_log.NOT_LISTED)


def test_a_visit_stays_with_its_promise_when_the_book_has_moved_on():
    nights = [(0, [listing(0.7)], []), *((number, [], [visit(1)]) for number in range(1, 40))]
    book, told = tell(nights)
    assert book.height == 0
    assert (told.height, told["likelihood"].item()) == (1, 0.7)


def test_a_home_on_no_list_tests_nothing():
    assert (
        only([(0, [listing(site_id="B")], []), (1, [], [visit(1)])])["left_out"] == prediction_log.NOT_LISTED
    )


def test_a_record_that_changes_is_read_again_and_one_withdrawn_is_gone():
    start = [(0, [listing(0.7)], []), (1, [listing(0.8)], [visit(1, visit_id="V")])]
    changed = only([*start, (2, [], [visit(1, "sound", fixed=False, visit_id="V")])])
    assert (changed["is_hit"], changed["likelihood"]) == (False, 0.7)
    moved = only([*start, (3, [], [visit(2, visit_id="V")])])
    assert (moved["visited_on"], moved["likelihood"]) == (day(2), 0.8)
    assert tell([*start, (2, [], [])])[1].height == 0


def test_another_cause_is_neither_hit_nor_miss():
    row = only([(0, [listing()], []), (1, [], [visit(1, "other")])])
    assert (row["is_hit"], row["left_out"]) == (None, prediction_log.OTHER_CAUSE)


def test_a_second_visit_on_the_same_promise_does_not_count_again():
    register = [
        visit(1, "other", visit_id="a"),
        visit(2, "sound", visit_id="b"),
        visit(3, "sound", visit_id="c"),
    ]
    _, told = tell([(0, [listing()], []), (4, [], register)])
    assert told["left_out"].to_list() == [prediction_log.OTHER_CAUSE, None, prediction_log.SAME_PROMISE]


def test_going_back_to_a_fault_that_was_left_is_no_test():
    register = [visit(1, fixed=False, visit_id="a"), visit(5, visit_id="b")]
    nights = [(number, [listing()], register) for number in range(6)]
    assert tell(nights)[1]["left_out"].to_list() == [None, prediction_log.KNOWN_FAULT]


def test_a_home_that_is_listed_again_after_a_fix_is_a_new_promise():
    register = [visit(1, visit_id="a"), visit(5, visit_id="b")]
    nights = [(number, [listing(0.6 + number / 20)], register) for number in range(6)]
    told = tell(nights)[1]
    assert told["left_out"].to_list() == [None, None]
    assert told["likelihood"].to_list() == [0.6, 0.8]


def test_another_fault_found_is_a_hit_under_a_wrong_name():
    row = only([(0, [listing(fault="dead")], []), (1, [], [visit(1, "partial")])])
    assert (row["is_hit"], row["is_named_right"]) == (True, False)


def test_the_last_proof_is_kept_when_a_later_visit_takes_its_place():
    def standing(on, proof):
        return [{"site_id": "A", "last_visit_on": day(on), "proof": proof}]

    first, second = visit(1, visit_id="a"), visit(5, visit_id="b")
    nights = [
        (0, [listing()], []),
        (1, [listing()], [first], standing(1, "too early to tell")),
        (3, [listing()], [first], standing(1, "still wrong")),
        (5, [], [first, second], standing(5, "too early to tell")),
        (8, [], [first, second], standing(5, "proved right")),
    ]
    assert tell(nights[:2])[1]["proof"].to_list() == [None]
    assert tell(nights[:4])[1]["proof"].to_list() == ["still wrong", None]
    assert tell(nights)[1]["proof"].to_list() == ["still wrong", "proved right"]


def test_visits_to_come_are_not_known_yet_and_nothing_gives_empty_tables():
    book, told = tell([(0, [], [visit(3)])])
    assert (told.height, told.schema, book.height, book.schema) == (0, SCHEMA, 0, BOOK)
