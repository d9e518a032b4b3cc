"""Which reading types say energy of the grid connection, by the codes of NAESB REQ.21."""

import pytest

from pipeline.ingest.utility.espi_codes import Meaning, meaning

ENERGY = {
    "accumulationBehaviour": "4", "commodity": "1", "flowDirection": "1", "kind": "12", "uom": "72",
    "powerOfTenMultiplier": "0", "intervalLength": "900",
}  # fmt: skip
POWER = {"uom": "38", "kind": "37", "dataQualifier": "2", "accumulationBehaviour": "6"}


@pytest.mark.parametrize(("flow", "column"), [("1", "import_wh"), ("19", "export_wh"), ("4", "net_wh")])
def test_forward_is_import_reverse_is_export_and_net_is_signed(flow: str, column: str) -> None:
    assert meaning({**ENERGY, "flowDirection": flow}, "0") == Meaning(column, 0, False, 900, "0")


@pytest.mark.parametrize(
    ("codes", "service", "why"),
    [
        ({"flowDirection": "20"}, "0", "flowDirection 20 (total) is neither 1"),
        ({"flowDirection": "0"}, "0", "flowDirection 0 (none) is neither 1"),
        ({"flowDirection": ""}, "0", "no flowDirection: neither 1 (forward), 19 (reverse) nor 4 (net)"),
        ({"uom": "73"}, "0", "uom 73 is not 72 (Wh)"),
        ({"uom": ""}, "0", "no uom: the unit is unknown"),
        ({"uom": "72,38"}, "0", "uom 72,38 is not 72 (Wh)"),
        ({"uom": "38"}, "0", "uom 38 (W) is not said to be the average"),
        ({**POWER, "dataQualifier": "8"}, "0", "uom 38 (W) is not said to be the average"),
        ({**POWER, "accumulationBehaviour": "12"}, "0", "uom 38 (W) is not said to be the average"),
        ({"accumulationBehaviour": "1"}, "0", "accumulationBehaviour 1 (bulk quantity) is a running total"),
        ({"accumulationBehaviour": "3"}, "0", "accumulationBehaviour 3 (cumulative) is a running total"),
        ({"accumulationBehaviour": "12"}, "0", "accumulationBehaviour '12' is not 4 (delta data)"),
        ({"accumulationBehaviour": ""}, "0", "accumulationBehaviour '' is not 4 (delta data)"),
        ({"commodity": "7"}, "0", "commodity 7 is not 1 (electricity)"),
        ({"commodity": "1"}, "1", "commodity 1 is electricity, but the service category is 1"),
        ({"commodity": ""}, "1", "service category 1 is not 0 (electricity)"),
        ({"commodity": ""}, "", "neither commodity nor service category says electricity"),
        ({"kind": "8"}, "0", "kind 8 is not 12 (energy)"),
        ({"dataQualifier": "8"}, "0", "dataQualifier 8 is not 12 (normal)"),
        ({"phase": "528"}, "0", "phase 528 is one line of the service only"),
        ({"tou": "1"}, "0", "tou 1 counts a part of the energy only"),
        ({"consumptionTier": "2"}, "0", "consumptionTier 2 counts a part of the energy only"),
        ({"powerOfTenMultiplier": "4"}, "0", "powerOfTenMultiplier '4' is none of the standard's"),
        ({"intervalLength": "-900"}, "0", "intervalLength '-900' is not a length in seconds"),
    ],
)
def test_what_is_not_clearly_energy_of_the_connection_has_a_reason(
    codes: dict[str, str], service: str, why: str
) -> None:
    told = meaning({**ENERGY, **codes}, service)
    assert isinstance(told, str)
    assert told.startswith(why)


def test_either_the_commodity_or_the_service_says_electricity() -> None:
    assert isinstance(meaning({**ENERGY, "commodity": "0"}, "0"), Meaning)
    assert isinstance(meaning(ENERGY, ""), Meaning)


def test_mean_watts_are_energy_once_their_interval_is_known() -> None:
    assert meaning({**ENERGY, **POWER}, "0") == Meaning("import_wh", 0, True, 900, "0")


def test_both_numbers_for_two_lines_and_neutral_are_the_whole_service() -> None:
    for phase in ("769", "784", "768", "225", "129", "0"):
        assert isinstance(meaning({**ENERGY, "phase": phase}, "0"), Meaning)
