"""Titles and notes of the validation's tables, in reading order; {numbers} are filled in by `results`."""

from __future__ import annotations

from pipeline.evaluation.validation.metrics import ALARM_LIKELIHOOD
from pipeline.evaluation.validation.truth import TWINS_NOTE

NOTES: dict[str, tuple[str, str]] = {
    "targets": (
        "What must be shown",
        "The first night of {fleets} ordinary fleets ({pooled} homes), of fleets without a fault and of fleets of 60 "
        "homes. Met: also in the worst fleet; pooled only: by the fleets together. Names and legs are those of "
        f"suspected_fault, where sound counts as wrong; {TWINS_NOTE}.",
    ),
    "fleets": (
        "First night, by fleet",
        "One night of scoring on a window of history. Found: among as many homes as are faulty (R), or as visits "
        "allow. ECE: calibration error over 20 bins of equally many homes. Small fleets: {small} homes in fleets of "
        "60, each with its own normal. Real homes are weighted to 5.5 % faults and 15 % hard negatives.",
    ),
    "counts": (
        "What the first night says of the fleet and its crews",
        "Faulty: share of homes in truth; told: the share that likelihoods are worked out with, and its 95 % interval "
        "by the homes' own evidence. Wrong installs: faults from the first day, in truth and as told of all crews. "
        "Intervals hold: of crews, those whose true share of wrong installs lies in their 95 % interval.",
    ),
    "schooling": (
        "What the model was trained on",
        "AP, log loss and false alarms are of the family's homes by trees that were fitted without it, at the usual "
        "share of faults: what a fleet of a family that nobody has seen may get. The family streets is the simulator's "
        "own and isn't validated here.",
    ),
    "nights": (
        "The first fleet, night by night",
        "{homes} homes, {nights} nights. A fault that hasn't begun yet isn't counted.",
    ),
    "by_fault": (
        "By fault",
        "{pooled} homes of the ordinary fleets as one, at the same cut. Named and leg right are of those found; missed "
        "homes by their verdict.",
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
        f"Sound homes called faulty (likelihood from {ALARM_LIKELIHOOD} on), over {{sound}} sound homes, also of "
        "fleets without a fault.",
    ),
    "until_found": (
        "Nights until found, faults from the first day",
        "In the first fleet. The first night from which on the home stays suspected with the right name; a dash: fewer "
        "than half are found. In 2, any name: suspected within two nights, whatever the name.",
    ),
    "calibration": (
        "Calibration",
        "ECE over 20 bins of equally many homes, ECE wide over 10 of equal width; "
        "Brier = reliability - resolution + uncertainty but for what a bin's homes differ.",
    ),
    "mistaken": ("Wrong names", "Faulty homes by the name they go by; sound: not suspected."),
    "real_by_fault": (
        "Real measured homes: by fault",
        "Loads and PV measured, faults injected, each home with and without leg voltages; weighted to 5.5 % faults.",
    ),
    "real_by_hard": ("Real measured homes: false alarms", f"Likelihood from {ALARM_LIKELIHOOD} on."),
    "confusion": (
        "Truth and names",
        "Rows are the truth, columns the name that homes go by; homes are counted.",
    ),
}
