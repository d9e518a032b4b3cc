"""A utility's own readings of its meters, from LAKE/utility/: a witness of scale that no CT of ours has touched.

In: files of NAESB REQ.21 (ESPI) Atom XML, or of one row an interval (CSV, Parquet) as [utility] of lake.toml maps them;
the register meters says which home a usage point is. Out: `UtilityIntake`: a table of homes and intervals (UTILITY) on
disk, facts a file, and rejects with their reasons (rows in = used + duplicate + rejected).
"""

from pipeline.ingest.utility.intake import read_utility
from pipeline.ingest.utility.layout import FILE_FACTS, UTILITY, UtilityIntake

__all__ = ["FILE_FACTS", "UTILITY", "UtilityIntake", "read_utility"]
