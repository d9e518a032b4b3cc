"""Volts that no service has: which homes report them, and what they most probably are."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import polars as pl

from pipeline.core import contract
from pipeline.core.services import HIGH_FROM_V, service_of
from pipeline.ingest.check_problem import Problem, count, name_some

# Volts of a line to neutral that a service brings, and how far off a home may be [share]; ANSI C84.1 and EN 50160
# allow far less. One line alone is 120 V here and 230 V there.
_US_V, _EU_V = (120.0, 120.0), (220.0, 240.0)
_LINE_V = {
    **{name: ((_EU_V if volts > HIGH_FROM_V else _US_V),) for name, volts in contract.SERVICE_LEG_V.items()},
    "single": ((100.0, 127.0), _EU_V),
}
_OFF = 0.15
# Volts from line to line, where one has several.
_LINE_TO_LINE_V = {
    120.0: (208.0 * (1 - _OFF), 240.0 * (1 + _OFF)),
    230.0: (400.0 * (1 - _OFF), 400.0 * (1 + _OFF)),
}
_UNKNOWN = "a service that is not known"
# What a reading that much too small or large is most probably, by the factor that puts it right.
_SCALES = (
    (10.0, "volts divided by ten"),
    (1000.0, "kilovolts"),
    (0.1, "tenths of volts"),
    (0.001, "millivolts"),
)


def voltage_problems(days: Sequence[pl.DataFrame]) -> Iterator[Problem]:
    """Yield one line a leg and likely cause of homes whose volts no service has.

    `days` are the rows of check_voltage of each day that was read.
    """
    if not days:
        return
    medians = (
        pl.concat(days, how="vertical_relaxed")
        .group_by("leg", "site_id", maintain_order=True)
        .agg(pl.col("service").last(), pl.col("volts").median())
    )
    groups: dict[tuple[str, str, str], list[tuple[str, float]]] = {}
    for leg, site_id, service, volts in medians.iter_rows():
        if not _has(service, volts):
            key = (leg, service or _UNKNOWN, _cause(service, volts))
            groups.setdefault(key, []).append((site_id, volts))
    for (leg, service, cause), homes in groups.items():
        values = sorted(volts for _, volts in homes)
        span = f"{values[0]:.4g}" if values[0] == values[-1] else f"{values[0]:.4g} to {values[-1]:.4g}"
        named = name_some([site_id for site_id, _ in homes])
        what = f"{leg}_v is {span} V in the middle of the days read, which {service} never has"
        yield Problem("note", "intervals", f"{what} ({count(len(homes), 'home')}: {named})", cause)


def out_of_range_hint(reason: str) -> str:
    """Return a hint for rows rejected since their volts are out of range, "" for another reason."""
    return (
        "tenths of volts, millivolts, or volts from line to line? send volts from leg to neutral"
        if reason[3:] == "v is out of range"
        else ""
    )


def _has(service: str | None, volts: float) -> bool:
    spans = _LINE_V.get(service or "", tuple(span for spans in _LINE_V.values() for span in spans))
    return any(low * (1 - _OFF) <= volts <= high * (1 + _OFF) for low, high in spans)


def _cause(service: str | None, volts: float) -> str:
    if volts == 0:
        return "an input that nothing is connected to? leave the column empty there"
    for factor, cause in _SCALES:
        if _has(service, volts * factor):
            return f"{cause}? send volts from leg to neutral"
    others = [name for name in contract.SERVICES if _has(name, volts)]
    those = f"; {', '.join(others[:-1])} and {others[-1]} have such volts" if len(others) > 1 else ""
    known = service_of(service)
    low, high = _LINE_TO_LINE_V[120.0 if known.volts < HIGH_FROM_V else 230.0]
    if known.line_count > 1 and low <= volts <= high:
        return f"volts from line to line? send each leg's volts to neutral, or correct service{those}"
    return f"send volts from leg to neutral, or correct service in sites{those}"
