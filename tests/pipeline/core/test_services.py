"""Services and the legs of a finding: any set of a home's lines, written so that older files stay readable."""

import pytest

from pipeline.core.services import LEGS, SERVICES, leg_code, leg_codes, lines_of, service_of


def test_lines_stand_at_even_angles_and_the_first_is_the_reference() -> None:
    for service in SERVICES.values():
        assert service.degrees[0] == 0.0
        assert len(set(service.degrees)) == service.line_count
    assert service_of("230/400").degrees == (0.0, -120.0, 120.0)
    assert service_of(None).name == service_of("").name == "120/240"


@pytest.mark.parametrize("line_count", [1, 2, 3])
def test_every_leg_names_its_lines_and_back(line_count: int) -> None:
    codes = leg_codes(line_count)
    assert len(codes) == 2**line_count - 1
    assert set(codes) <= set(LEGS)
    for code in codes:
        assert leg_code(lines_of(code, line_count), line_count) == code


def test_both_stays_readable_wherever_it_stands() -> None:
    assert leg_codes(2) == ("l1", "l2", "both")
    assert lines_of("both", 2) == ("l1", "l2")
    assert lines_of("both", 1) == ("l1",)
    assert lines_of("both", 3) == ("l1", "l2", "l3")


def test_a_line_that_the_home_lacks_is_none_of_its_lines() -> None:
    assert lines_of("l2+l3", 2) == ("l2",)
    assert lines_of(None, 3) == lines_of("", 3) == ()
