"""Which of the 48 wirings of three lines each witness can tell from the right one, and all of them from each other.

Each wiring is put into a circuit of loads, clouds and sagging voltages; what its readings show is what table
site_signal would have, and `probes.wiring_evidence` says how likely that is under each wiring. A wiring is told from
another where the odds between them are TOLD_ODDS to 1 or more.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
import polars.selectors as cs
from numpy.typing import NDArray

from pipeline.core.line_pairs import PAIR_INDICES
from pipeline.core.services import LINES, service_of
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring as Install
from pipeline.faults.cts import measure
from pipeline.probes.wiring_evidence import log_likelihoods, read_witnesses
from pipeline.probes.wirings import Wiring, all_wirings

Float = NDArray[np.float64]
TOLD_ODDS = 20.0
STEPS, SUNNY_KW, SAG_OHM = 2400, 5.0, 0.2
NOISE_W, NOISE_V = 3.0, 0.05
# What stands in a column of the table: its heading, and the witnesses that speak. `var` is reactive power.
COLUMNS: Mapping[str, tuple[str, ...]] = {
    "sun": ("sun",), "sun_with_var": ("sun", "var"), "nights": ("nights",), "loads": ("steps",), "sag": ("sag",),
    "meter": ("meter",), "watts_only": ("sun", "nights", "steps"),
    "all": ("sun", "var", "nights", "steps", "sag", "meter"),
}  # fmt: skip


@dataclass(frozen=True)
class Scene:
    """An install: where its CTs are, which lines the inverter feeds (none: all), whether the site record says so."""

    title: str
    sees_pv: bool = True
    pv_lines: tuple[str, ...] = ()
    is_declared: bool = False


SCENES = (
    Scene("inverter on three lines"),
    Scene("inverter on L1, in the site record", pv_lines=("l1",), is_declared=True),
    Scene("inverter on L1, not in the site record", pv_lines=("l1",)),
    Scene("CTs at the loads", sees_pv=False),
)


def what_is_shown(
    wiring: Wiring, service: str, *, sees_pv: bool = True, pv_lines: Sequence[str] = (), seed: int = 1
) -> dict[str, Any]:
    """Return what a home with this wiring shows, as columns of table site_signal.

    Parameters
    ----------
    wiring, service
        Which CT is on which line and which way round, of which service.
    sees_pv, pv_lines
        Whether the CTs are upstream of the tie-in, and the lines that the inverter feeds; none: all.
    seed
        Of the loads and clouds.
    """
    rng = np.random.default_rng(seed)
    count = service_of(service).line_count
    hour = np.arange(STEPS) % 96 / 4
    sun = np.where((hour > 6) & (hour < 18), np.sin((hour - 6) / 12 * np.pi), 0.0)
    pv_w = 1000 * SUNNY_KW * sun * rng.uniform(0.3, 1.0, STEPS)
    on_one = 1500 * (rng.random((count, STEPS)) < 0.25) * rng.uniform(0.3, 1.0, (count, STEPS))
    on_all = 2400 * (rng.random(STEPS) < 0.2)
    lag = 1 + 1j * rng.uniform(0.05, 0.3, (count, 1))
    loads = (rng.uniform(80, 200, (count, 1)) + on_one) * lag + on_all / count * (1 + 0.2j)
    circuit = Circuit.from_powers(loads, pv_w, service=service, pv_lines=pv_lines or None)
    install = Install.sound(service, sees_pv, pv_lines=pv_lines or None)
    reading = measure(circuit, install.permuted([line + 1 for line in wiring.order], wiring.signs))
    seen = reading.va + rng.normal(0, NOISE_W, reading.va.shape)
    flows = circuit.load_va.real - (circuit.source_va.real if sees_pv else 0.0)
    return (
        _by_line(seen, pv_w, flows.sum(axis=0))
        | _by_pair(seen.real, flows, np.abs(np.diff(on_all)) > 0, rng)
        | {"is_declared_upstream": sees_pv, "pv_kw": SUNNY_KW}
    )


def _by_line(seen: NDArray[np.complex128], pv_w: Float, total_w: Float) -> dict[str, Any]:
    """Return what each channel shows by the sun, by night and by the meter."""
    ramps, is_night = np.column_stack([pv_w, np.ones(pv_w.size)]), pv_w == 0
    meter = np.linalg.lstsq(seen.real.T, total_w, rcond=None)[0]
    shown: dict[str, Any] = {}
    for channel, line in enumerate(LINES[: len(seen)]):
        slope = np.linalg.lstsq(ramps, seen[channel], rcond=None)[0][0]
        night_w = seen[channel].real[is_night]
        shown |= {
            f"slope_{line}": float(slope.real), f"slope_{line}_se": 0.01, f"var_{line}": float(slope.imag),
            f"var_{line}_se": 0.006, f"night_{line}_w": float(np.median(night_w)),
            f"night_{line}_negative_share": float((night_w < 0).mean()), f"meter_{line}": float(meter[channel]),
            f"meter_gain_{line}": float(1 / meter[channel]), f"meter_{line}_se": 0.003,
        }  # fmt: skip
    return shown | {"meter_share": 1.0, "meter_r2": 0.99}


def _by_pair(
    seen_w: Float, flows_w: Float, is_on_all: NDArray[np.bool_], rng: np.random.Generator
) -> dict[str, Any]:
    """Return what each pair of channels shows by voltage sag and by loads on all lines; pair 12 without its suffix."""
    steps, flows = np.diff(seen_w, axis=1) / 1000, np.diff(flows_w, axis=1) / 1000
    shown: dict[str, Any] = {}
    for pair, lines in list(PAIR_INDICES.items())[: len(seen_w) * (len(seen_w) - 1) // 2]:
        one, other = lines
        volts = SAG_OHM * (flows[other] - flows[one]) + rng.normal(0, NOISE_V, flows.shape[1])
        both = steps[list(lines)].T
        sag = np.linalg.lstsq(both, volts, rcond=None)[0]
        error = NOISE_V / np.sqrt((both**2).sum(axis=0))
        ratio = steps[other][is_on_all] / steps[one][is_on_all]
        end = "" if pair == "12" else f"_{pair}"
        shown |= {
            f"sag_l1{end}": float(sag[0]), f"sag_l2{end}": float(sag[1]), f"sag_l1_z{end}": float(sag[0] / error[0]),
            f"sag_l2_z{end}": float(sag[1] / error[1]), f"pair_n{end}": 80.0, f"pair_log_se{end}": 0.03,
            f"pair_opposite_share{end}": float((ratio < 0).mean()),
            f"pair_log_ratio{end}": float(np.median(np.log(np.abs(ratio)))),
        }  # fmt: skip
    return shown


def told_apart(service: str, scene: Scene, witnesses: Iterable[str]) -> NDArray[np.bool_]:
    """Return whether each wiring (rows) is told from each other one (columns) by these witnesses, (48, 48)."""
    wirings, speaks = all_wirings(service_of(service).line_count), set(witnesses)
    rows = [
        what_is_shown(wiring, service, sees_pv=scene.sees_pv, pv_lines=scene.pv_lines) for wiring in wirings
    ]
    signals = pl.DataFrame(rows).with_columns(
        pl.lit("+".join(scene.pv_lines) if scene.is_declared else None, dtype=pl.String).alias("pv_on")
    )
    if "var" not in speaks:
        signals = signals.drop(cs.starts_with("var_"))
    pairs = {pair: _of_pair(signals, "" if pair == "12" else f"_{pair}") for pair in PAIR_INDICES}
    order = np.array([wiring.order for wiring in wirings])
    signs = np.array([wiring.signs for wiring in wirings], dtype=np.float64)
    read = read_witnesses(signals, pairs, len(order[0]))
    by_witness = log_likelihoods(read, order, signs, service=service_of(service))
    total = sum((by_witness[name] for name in by_witness if name in speaks), np.zeros((len(wirings),) * 2))
    return np.asarray(np.diag(total)[:, None] - total >= np.log(TOLD_ODDS))


def _of_pair(signals: pl.DataFrame, end: str) -> pl.DataFrame:
    """Return the columns about a pair of lines, which end like this, under the names that a home of two legs has."""
    names = [name for name in signals.columns if name.startswith(("sag_", "pair_")) and name.endswith(end)]
    names = [name for name in names if end or not name.endswith(("_23", "_31"))]
    return signals.select(pl.col(name).alias(name.removesuffix(end)) for name in names)


def kind_of(wiring: Wiring) -> str:
    """Return what is wrong in words: "two exchanged, one turned around"."""
    moved = sum(line != channel for channel, line in enumerate(wiring.order))
    turned = sum(sign < 0 for sign in wiring.signs)
    counts = {0: "", 1: "one", 2: "two", 3: "three"}
    words = {0: "", 2: "two exchanged", 3: "three rotated"}
    parts = [words[moved], f"{counts[turned]} turned around" if turned else ""]
    return ", ".join(filter(None, parts)) or "right"


def wiring_study(service: str = "230/400", scene: Scene = SCENES[0]) -> pl.DataFrame:
    """Return a row a kind of wrong wiring: `wirings` of it, and how many each column's witnesses tell from right.

    The last row counts the wirings, right among them, that are told from every other one.
    """
    wirings = all_wirings(service_of(service).line_count)
    kinds = [kind_of(wiring) for wiring in wirings]
    told = {name: told_apart(service, scene, witnesses) for name, witnesses in COLUMNS.items()}
    others = ~np.eye(len(wirings), dtype=np.bool_)
    rows = []
    for kind in dict.fromkeys(kinds[1:]):
        is_kind = np.array([name == kind for name in kinds])
        rows.append(
            {"wiring": kind, "wirings": int(is_kind.sum())}
            | {name: int(apart[is_kind, 0].sum()) for name, apart in told.items()}
        )
    alone = {name: int((apart | ~others).all(axis=1).sum()) for name, apart in told.items()}
    rows.append({"wiring": "told from every other", "wirings": len(wirings)} | alone)
    return pl.DataFrame(rows)


def markdown(service: str = "230/400", scenes: Sequence[Scene] = SCENES) -> str:
    """Return the study as tables in Markdown."""
    heads = {
        "wiring": "wiring", "wirings": "of", "sun": "sun, W", "sun_with_var": "sun, W and var", "nights": "nights",
        "loads": "loads on several lines", "sag": "voltage sag", "meter": "utility meter",
        "watts_only": "all in W", "all": "all",
    }  # fmt: skip
    parts = []
    for scene in scenes:
        rows = [list(heads.values()), ["---"] * len(heads)]
        rows += [
            [str(row[name]) for name in heads] for row in wiring_study(service, scene).iter_rows(named=True)
        ]
        table = "\n".join(f"| {' | '.join(row)} |" for row in rows)
        parts.append(f"{scene.title[0].upper()}{scene.title[1:]}:\n\n{table}")
    return "\n\n".join(parts)
