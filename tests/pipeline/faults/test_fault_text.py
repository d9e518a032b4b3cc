"""Codes of faults in sentences are spelt as the trade's words, and plain English stays."""

from pipeline.faults.fault_text import spell_faults


def test_codes_are_spelt_and_words_stay() -> None:
    assert spell_faults("partial or loose_core") == "part of the load outside the CTs or CT not closed"
    assert spell_faults("both CTs reversed; a reversed CT") == "both CTs reversed; a reversed CT"
    assert spell_faults("reversed where it reads") == "CT reversed where it reads"
