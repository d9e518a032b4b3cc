#!/usr/bin/env bash
# A half year by the list, on a simulated fleet of 2,000 homes with 6 visits a day and a crew that fixes 9 of 10,
# beside three simpler ways of choosing the visits. Takes a folder (default nightclamp-half-year); about half an hour
# on two cores and 2 GB of disk. Stopped, it goes on where it was when started again.
set -euo pipefail
OUT="${1:-nightclamp-half-year}"

nightclamp rehearse --sites 2000 --nights 182 --visits 6 --seed 1 --workers 2 --out "$OUT"

# What the list's own nights left behind is a lake and an OUT like any other.
RUN="$OUT/series/nightclamp"
nightclamp dispatch "$RUN/lake" --out "$RUN/out" --days 1
nightclamp orders --out "$RUN/out"
