"""A home as a circuit with a fault, as its lake has it and as a right install would: rows, and the episode of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipeline.core.contract import MEASURES, THIRD_LINE
from pipeline.core.services import LINES, service_of
from pipeline.correction.layout import EPISODE
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring, measure
from pipeline.faults.reading import Reading

N = 96
START = datetime(2026, 6, 1)
_RNG = np.random.default_rng(8)
ONE_VA, TWO_VA = (_RNG.uniform(150, 2500, N) + 1j * _RNG.uniform(-200, 500, N) for _ in range(2))
PV_W = np.where(np.arange(N) < N // 2, 0.0, _RNG.uniform(0, 6000, N))
VOLTS = _RNG.uniform(116, 126, N), _RNG.uniform(116, 126, N)
_RNG_3 = np.random.default_rng(9)
THREE_VA, VOLTS_3 = (
    _RNG_3.uniform(150, 2500, N) + 1j * _RNG_3.uniform(-200, 500, N),
    _RNG_3.uniform(116, 126, N),
)


@dataclass(frozen=True)
class FaultyHome:
    """`rows` as the lake has them, `right` as a right install would report, `episode` (EPISODE) of the fault."""

    rows: pl.DataFrame
    right: pl.DataFrame
    episode: pl.DataFrame
    ratio: float
    wiring: Wiring


def faulty_home(
    fault: str,
    leg: str,
    service: str = "120/240",
    *,
    sees_pv: bool = True,
    is_added: bool = False,
    is_clipped: bool = False,
    has_meter: bool = False,
    seed: int = 1,
    **wiring: object,
) -> FaultyHome:
    """Return home "H1" over one day of quarter hours."""
    circuit = _circuit(service)
    sound = Wiring.sound(service, sees_pv, pv_added_back=is_added, is_clipped=is_clipped, **wiring)  # type: ignore[arg-type]
    wrong = CATALOGUE[fault].effect(sound, circuit, leg, np.random.default_rng(seed))
    net = sum(va.real for va in circuit.load_va) - PV_W
    frames = [_rows(measure(circuit, one), service, net if has_meter else None) for one in (wrong, sound)]
    return FaultyHome(
        frames[0], frames[1], episode(fault, leg, service, sees_pv, is_added), wrong.ratio, wrong
    )


def _circuit(service: str) -> Circuit:
    lines = slice(service_of(service).line_count)
    return Circuit.from_powers(
        np.array([ONE_VA, TWO_VA, THREE_VA])[lines],
        PV_W,
        volts=np.array([*VOLTS, VOLTS_3])[lines],
        service=service,
        bundle_share=0.4,
    )


def episode(
    fault: str,
    leg: str,
    service: str = "120/240",
    is_upstream: bool = True,
    is_added: bool = False,
    **values: object,
) -> pl.DataFrame:
    """Return the one episode of home "H1", from before its day on and not over."""
    row: dict[str, object] = {
        "site_id": "H1", "fault": fault, "leg": leg, "from_on": START.date(), "likelihood": 0.97, "service": service,
        "is_upstream": is_upstream, "is_added_back": is_added, "has_battery": False, **values,
    }  # fmt: skip
    return pl.DataFrame({name: [row.get(name)] for name in EPISODE.names()}, schema=EPISODE)


def _rows(reading: Reading, service: str, net_w: np.ndarray | None) -> pl.DataFrame:
    there = {"pv_w": reading.pv_w}
    for line, (leg, volts) in enumerate(zip(LINES, (*VOLTS, VOLTS_3), strict=True), start=1):
        there |= {f"{leg}_w": reading.line_w(line), f"{leg}_var": reading.line_var(line)}
        there[f"{leg}_v"] = volts if line <= service_of(service).line_count else np.full(N, np.nan)
    if net_w is not None:
        there |= {"import_wh": np.maximum(net_w, 0) / 4, "export_wh": np.maximum(-net_w, 0) / 4}
    frame = pl.DataFrame(there).with_columns(
        pl.all().fill_nan(None),
        site_id=pl.lit("H1"),
        interval_start=pl.Series(
            [START + timedelta(minutes=15 * step) for step in range(N)], dtype=pl.Datetime("us")
        ),
    )
    missing = [pl.lit(None, pl.Float64).alias(name) for name in MEASURES if name not in frame.columns]
    return frame.with_columns(missing).select("site_id", "interval_start", *MEASURES, *THIRD_LINE)


def wired_home(service: str, order: tuple[int, ...], signs: tuple[int, ...]) -> pl.DataFrame:
    """Return the rows of home "H1" whose CTs sit and face like this."""
    circuit = _circuit(service)
    return _rows(measure(circuit, Wiring.sound(service).permuted(order, signs)), service, None)
