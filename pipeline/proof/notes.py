"""Titles and notes of the proof's tables, in reading order; {words} are filled in when the tables are made."""

from __future__ import annotations

from pipeline.proof.judged import TWINS_SAID
from pipeline.proof.measure import ALARM

NOTES: dict[str, tuple[str, str]] = {
    "targets": (
        "What must be shown",
        "The ordinary fleet: {homes} homes, {nights} nights, 15 minutes, {faulty} faulty; found is to stand among the "
        "first {cut} by likelihood, the cut the visits allow. "
        f"False alarms (likelihood from {ALARM} on) and nights are over {{pooled}} homes, all fleets at 15 minutes. "
        f"Names and legs are those of suspected_fault, where sound counts as wrong; {TWINS_SAID}.",
    ),
    "fleets": (
        "Fleets and conditions",
        "Fleets of many faults are weighted back to 5 % faults and 15 % hard negatives. Order right: the likeliest "
        "fault, which a work order names, also where sound is likelier.",
    ),
    "nights": ("The ordinary fleet, night by night", "A fault that hasn't begun yet isn't counted."),
    "by_fault": (
        "By fault",
        "{pooled} homes: the ordinary fleet and those of many faults, weighted to 5 % faults, at the same cut. Named "
        "and leg right are of those found; missed homes by their verdict.",
    ),
    "limit": (
        "What a classifier with the truth of the circuit could reach",
        "Same homes, same cut. It sees how each wiring truly answers to what the home's data can probe, and learns on "
        "the other homes (five folds). What it doesn't find, the data can't tell. "
        "AP of a fault: its homes against the sound. Of these sound: homes that the limit misses and we call sound, "
        "where unproven would be the word.",
    ),
    "by_hard": (
        "False alarms by kind of hard negative",
        f"Sound homes called faulty (likelihood from {ALARM} on), over {{pooled}} homes.",
    ),
    "until_found": (
        "Nights until found, faults from the first day",
        "The first night from which on the home stays suspected with the right name; a dash: fewer than half are "
        "found. In 2, any name: suspected within two nights, whatever the name.",
    ),
    "calibration": (
        "Calibration",
        "Weighted to 5 % faults. ECE over 20 bins of equally many homes, ECE wide over 10 of equal width; "
        "Brier = reliability - resolution + uncertainty but for what a bin's homes differ.",
    ),
    "mistaken": ("Wrong names", "Faulty homes by the name they go by; sound: not suspected."),
    "real_by_fault": (
        "Real measured homes: by fault",
        "Loads and PV measured, faults injected, each home with and without leg voltages; weighted to 5 % faults.",
    ),
    "real_by_hard": ("Real measured homes: false alarms", f"Likelihood from {ALARM} on."),
    "confusion": (
        "Truth and names",
        "Rows are the truth, columns the name that homes go by; homes are counted.",
    ),
}
