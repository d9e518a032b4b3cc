"""Leg voltages of the homes on one transformer, solved by a power-flow engine (OpenDSS).

120/240: a 25, 37.5 or 50 kVA centre-tapped transformer, an aluminium triplex secondary that the homes
share and a drop of its own for each, with the neutral as a conductor: it carries the difference of the
legs, is earthed at the pole and by a rod at every home. 120/208: a wye bank whose homes hang on two of
three phases in turn. single: one 240 V winding and a neutral. 230/400 and 120/208 three-phase: a wye bank
whose homes have all three phases, rotated from home to home; 230: homes on one phase of such a street, in
turn. So a home's voltages move with its own load and its neighbours', and the supply's voltage wanders
through the day.
Transformer: 2 % reactance and 1.2 to 1.5 % resistance, common for this size; conductor: resistance and
reactance of 4/0 and 2/0 aluminium triplex with a reduced neutral, ohm per kft (textbook values, memory).
A loose neutral is a resistance in the drop's neutral. The engine solves one step an interval from the
interval's mean powers: voltage is close to linear in them, so its mean is right.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.core.errors import NightFailed
from pipeline.core.services import service_of
from pipeline.faults.circuit import Complex, Float
from pipeline.simulate.families.extra import need
from pipeline.simulate.service_draws import is_dealt_anew

TRIPLEX = ((0.10, 0.16), (0.16, 0.20))  # resistance of a phase and of the neutral, ohm/kft
SELF_X, MUTUAL_X, MUTUAL_R = 0.028, 0.010, 0.0  # ohm/kft: conductors touch, so little flux between them
SECONDARY_FT, DROP_FT, ROD_OHM = (10.0, 80.0), (25.0, 85.0), (10.0, 60.0)
LOOSE_OHM = (0.15, 1.2)
SUPPLY_PU = (0.995, 1.03)
KVA = {
    "120/240": (25.0, 37.5, 50.0), "120/208": (75.0, 112.5), "single": (25.0, 50.0), "230": (100.0, 160.0, 250.0),
    "230/400": (100.0, 160.0, 250.0), "120/208 three-phase": (75.0, 112.5, 150.0),
}  # fmt: skip
WYE_KV = {"120/208": 0.208, "120/208 three-phase": 0.208, "230/400": 0.4, "230": 0.4}


@dataclass(frozen=True)
class Drop:
    """What a home asks of the street, mean a step, and how its neutral is.

    `leg_1_va`, `leg_2_va` [W + j var] leg to neutral, `line_va` between the legs, sources negative, shape (n,);
    `has_loose_neutral` if the drop's neutral is badly joined.
    """

    leg_1_va: Complex
    leg_2_va: Complex
    line_va: Complex
    has_loose_neutral: bool = False


@dataclass(frozen=True)
class LineDrop:
    """What a home takes from each of its lines, mean a step [W + j var], shape (lines, n), sources negative.

    Loads between lines are split over them as their currents are at nominal voltage; `has_loose_neutral` if the
    neutral is badly joined.
    """

    line_va: Complex
    has_loose_neutral: bool = False


def solve_street(
    service: str, drops: Sequence[Drop | LineDrop], *, minutes: float, rng: np.random.Generator
) -> list[tuple[Float, ...]]:
    """Return each home's line-to-neutral voltages [V rms], shape (n,) each; (v1, 0) on "single".

    Parameters
    ----------
    service
        Of all its homes.
    drops
        What each home takes.
    minutes, rng
        Length of a step; the home's random numbers.

    Raises
    ------
    InputError
        dss-python is not installed.
    NightFailed
        The engine found no solution.
    """
    engine = need("dss").DSS.NewContext()
    steps = (drops[0].line_va if isinstance(drops[0], LineDrop) else drops[0].leg_1_va).shape[-1]
    hours = minutes / 60
    _command(engine, _network(service, rng))
    _shape(engine, "supply", _supply(steps, hours, rng), None, hours)
    _command(engine, "Edit Vsource.source daily=supply")
    for home, drop in enumerate(drops):
        _command(engine, _service(service, home, drop.has_loose_neutral, rng))
        for name, nodes, kv, power in _loads(service, drop):
            _shape(engine, f"{name}{home}", power.real / 1000, power.imag / 1000, hours)
            load = f"New Load.{name}{home} bus1=home{home}.{nodes} phases=1 kv={kv} kw=1 kvar=1"
            _command(engine, f"{load} model=1 vminpu=0.6 vmaxpu=1.4 daily={name}{home}")
        _command(engine, f"New Monitor.m{home} element=Line.drop{home} terminal=2 mode=0 vipolar=no")
    _command(engine, f"Set mode=daily stepsize={minutes}m number={steps}\nSet tolerance=1e-6\nSet maxiter=60")
    circuit = engine.ActiveCircuit
    circuit.Solution.Solve()
    if not circuit.Solution.Converged:
        raise NightFailed("a street of the proof fleet has no power-flow solution: choose another seed")
    return [_volts(circuit, f"m{home}", service) for home in range(len(drops))]


def _loads(service: str, drop: Drop | LineDrop) -> list[tuple[str, str, float, Complex]]:
    """Return a home's loads: name, nodes of its bus, kV, power."""
    if isinstance(drop, LineDrop):
        neutral, kv = len(drop.line_va) + 1, service_of(service).volts / 1000
        return [(f"line{row}_", f"{row}.{neutral}", kv, va) for row, va in enumerate(drop.line_va, start=1)]
    line_kv = {"120/240": 0.24, "120/208": 0.208, "single": 0.24}[service]
    if service == "single":
        return [("one", "1.2", line_kv, drop.leg_1_va)]
    return [
        ("one", "1.3", 0.12, drop.leg_1_va), ("two", "2.3", 0.12, drop.leg_2_va), ("line", "1.2", line_kv, drop.line_va)
    ]  # fmt: skip


def _command(engine: Any, commands: str) -> None:
    for command in commands.strip().splitlines():
        engine.Text.Command = command


def _shape(engine: Any, name: str, real: Float, imaginary: Float | None, hours: float) -> None:
    """Add a load shape: actual kW and kvar with an imaginary part, else a multiplier."""
    shapes = engine.ActiveCircuit.LoadShapes
    shapes.New(name)
    shapes.Npts, shapes.HrInterval = real.shape[0], hours
    shapes.Pmult = np.ascontiguousarray(real)
    if imaginary is not None:
        shapes.Qmult = np.ascontiguousarray(imaginary)
    shapes.UseActual = imaginary is not None


def _supply(steps: int, hours: float, rng: np.random.Generator) -> Float:
    """Return the supply's voltage a step [per unit]: a daily swing, slow wander and regulator taps."""
    day = np.arange(steps) * hours / 24 * 2 * np.pi
    swing = rng.uniform(0.002, 0.008) * np.sin(day + rng.uniform(0, 2 * np.pi))
    taps = np.cumsum(rng.choice([-1, 0, 1], steps, p=[0.01, 0.98, 0.01]))
    taps = 0.00625 * (np.abs((taps + 2) % 8 - 4) - 2)  # a walk between two steps down and two up
    noise = rng.normal(0, 0.001, steps)
    supply: Float = rng.uniform(*SUPPLY_PU) + swing + taps + noise
    return supply


def _network(service: str, rng: np.random.Generator) -> str:
    """Return the grid, the transformer, its earth and the secondary; the last wire is the neutral."""
    kva, loss = float(rng.choice(KVA[service])), rng.uniform(1.2, 1.5)  # of the windings, per cent
    wires = 4 if service in WYE_KV else {"120/240": 3, "single": 2}[service]
    if service in WYE_KV:
        grid = "basekv=12.47 phases=3 bus1=hv pu=1 mvasc1=120 mvasc3=120"
        transformer = (
            f"bank phases=3 windings=2 xhl=2.5 %noloadloss=0.2 wdg=1 bus=hv conn=wye kv=12.47 kva={kva} "
            f"%r={loss / 2} wdg=2 bus=pole.1.2.3.4 conn=wye kv={WYE_KV[service]} kva={kva} %r={loss / 2}"
        )
    else:
        grid = "basekv=7.2 phases=1 bus1=hv.1 pu=1 mvasc1=80 mvasc3=80"
        primary = f"%noloadloss=0.2 wdg=1 bus=hv.1.0 kv=7.2 kva={kva} %r={loss / 2}"
        transformer = (
            f"pole phases=1 windings=2 xhl=2.04 {primary} wdg=2 bus=pole.1.2 kv=0.24 kva={kva} %r={loss / 2}"
        )
        if service == "120/240":
            transformer = (
                f"pole phases=1 windings=3 xhl=2.04 xht=2.04 xlt=1.36 {primary} "
                f"wdg=2 bus=pole.1.3 kv=0.12 kva={kva} %r={loss} wdg=3 bus=pole.3.2 kv=0.12 kva={kva} %r={loss}"
            )
    nodes = _nodes(wires)
    return (
        f"New Circuit.grid {grid}\nNew Reactor.earth phases=1 bus1=pole.{wires} bus2=pole.0 r=5 x=0\n"
        f"New Transformer.{transformer}\n"
        + _cable("trunk", f"pole.{nodes}", f"mid.{nodes}", wires, rng.uniform(*SECONDARY_FT), TRIPLEX[0])
    )


def _nodes(wires: int) -> str:
    return ".".join(str(wire + 1) for wire in range(wires))


def _cable(
    name: str,
    bus_1: str,
    bus_2: str,
    wires: int,
    feet: float,
    ohm: tuple[float, float],
    more_ohm: float = 0.0,
) -> str:
    """Return a cable whose last wire is the neutral; `more_ohm` in it is a bad joint."""
    kft = feet / 1000
    resistances = [ohm[0] * kft] * (wires - 1) + [ohm[1] * kft + more_ohm]

    def triangle(mutual: float, diagonal: list[float]) -> str:
        rows = ([mutual] * row + [value] for row, value in enumerate(diagonal))
        return " | ".join(" ".join(f"{value:.6f}" for value in row) for row in rows)

    return (
        f"New Line.{name} bus1={bus_1} bus2={bus_2} phases={wires} units=none length=1 "
        f"rmatrix=[{triangle(MUTUAL_R * kft, resistances)}] "
        f"xmatrix=[{triangle(MUTUAL_X * kft, [SELF_X * kft] * wires)}] cmatrix=[{triangle(0.0, [0.0] * wires)}]\n"
    )


def _service(service: str, home: int, is_loose: bool, rng: np.random.Generator) -> str:
    """Return a home's drop from the secondary and its earth rod."""
    feet, ohm = rng.uniform(*DROP_FT), TRIPLEX[int(rng.integers(2))]
    rod_ohm, more_ohm = rng.uniform(*ROD_OHM), rng.uniform(*LOOSE_OHM) if is_loose else 0.0
    if service == "120/240":
        wires, tap = 3, "mid.1.2.3"
    elif service == "230":
        wires, tap = 2, f"mid.{home % 3 + 1}.4"
    elif service_of(service).line_count == 3:
        wires, tap = 4, ("mid.1.2.3.4", "mid.2.3.1.4", "mid.3.1.2.4")[home % 3]
    elif service == "120/208":  # leg 2 lags leg 1: phases 1-2, 2-3, 3-1 in turn
        wires, tap = 3, ("mid.1.2.4", "mid.2.3.4", "mid.3.1.4")[home % 3]
    else:
        wires, tap = 2, "mid.1.2"
    return (
        _cable(f"drop{home}", tap, f"home{home}.{_nodes(wires)}", wires, feet, ohm, more_ohm)
        + f"New Reactor.rod{home} phases=1 bus1=home{home}.{wires} bus2=home{home}.0 r={rod_ohm} x=0\n"
    )


def _volts(circuit: Any, monitor: str, service: str) -> tuple[Float, ...]:
    circuit.Monitors.Name = monitor
    table = np.asarray(circuit.Monitors.AsMatrix(), dtype=np.float64)
    phasors = table[:, 2::2] + 1j * table[:, 3::2]
    if is_dealt_anew(service):
        count = service_of(service).line_count
        return tuple(np.abs(phasors[:, line] - phasors[:, count]) for line in range(count))
    if service == "single":
        v1 = np.abs(phasors[:, 0] - phasors[:, 1])
        return v1, np.zeros_like(v1)
    return np.abs(phasors[:, 0] - phasors[:, 2]), np.abs(phasors[:, 1] - phasors[:, 2])
