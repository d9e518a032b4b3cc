"""Leg voltages of the homes on one transformer, solved by a power-flow engine (OpenDSS).

120/240: a 25, 37.5 or 50 kVA centre-tapped transformer, an aluminium triplex secondary that the homes
share and a drop of its own for each, with the neutral as a conductor: it carries the difference of the
legs, is earthed at the pole and by a rod at every home. 120/208: a wye bank whose homes hang on two of
three phases in turn. single: one 240 V winding and a neutral. So a home's voltages move with its own
load and its neighbours', and the supply's voltage wanders through the day.
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
from pipeline.faults.circuit import Complex, Float
from pipeline.simulate.families.extra import need

TRIPLEX = ((0.10, 0.16), (0.16, 0.20))  # resistance of a phase and of the neutral, ohm/kft
SELF_X, MUTUAL_X, MUTUAL_R = 0.028, 0.010, 0.0  # ohm/kft: conductors touch, so little flux between them
SECONDARY_FT, DROP_FT, ROD_OHM = (10.0, 80.0), (25.0, 85.0), (10.0, 60.0)
LOOSE_OHM = (0.15, 1.2)
SUPPLY_PU = (0.995, 1.03)
KVA = {"120/240": (25.0, 37.5, 50.0), "120/208": (75.0, 112.5), "single": (25.0, 50.0)}


@dataclass(frozen=True)
class Drop:
    """What a home asks of the street, mean a step, and how its neutral is.

    `one_va`, `two_va` [W + j var] leg to neutral, `line_va` between the legs, sources negative, shape (n,);
    `has_loose_neutral` if the drop's neutral is badly joined.
    """

    one_va: Complex
    two_va: Complex
    line_va: Complex
    has_loose_neutral: bool = False


def solve_street(
    service: str, drops: Sequence[Drop], *, minutes: float, rng: np.random.Generator
) -> list[tuple[Float, Float]]:
    """Return each home's leg-to-neutral voltages (v1, v2) [V rms], shape (n,) each; v2 is 0 on "single".

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
    steps = drops[0].one_va.shape[0]
    hours = minutes / 60
    _command(engine, _network(service, rng))
    _shape(engine, "supply", _supply(steps, hours, rng), None, hours)
    _command(engine, "Edit Vsource.source daily=supply")
    for home, drop in enumerate(drops):
        _command(engine, _service(service, home, drop.has_loose_neutral, rng))
        ends, line_kv = _ends(service, home)
        volts = 0.24 if service == "single" else 0.12
        parts = [("one", ends[0], volts, drop.one_va)]
        if service != "single":
            parts += [("two", ends[1], 0.12, drop.two_va), ("line", f"home{home}.1.2", line_kv, drop.line_va)]
        for name, bus, kv, power in parts:
            _shape(engine, f"{name}{home}", power.real / 1000, power.imag / 1000, hours)
            _command(
                engine,
                f"New Load.{name}{home} bus1={bus} phases=1 kv={kv} kw=1 kvar=1 model=1 "
                f"vminpu=0.6 vmaxpu=1.4 daily={name}{home}",
            )
        _command(engine, f"New Monitor.m{home} element=Line.drop{home} terminal=2 mode=0 vipolar=no")
    _command(engine, f"Set mode=daily stepsize={minutes}m number={steps}\nSet tolerance=1e-6\nSet maxiter=60")
    circuit = engine.ActiveCircuit
    circuit.Solution.Solve()
    if not circuit.Solution.Converged:
        raise NightFailed("a street of the proof fleet has no power-flow solution: choose another seed")
    return [_volts(circuit, f"m{home}", service) for home in range(len(drops))]


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
    kva, copper = float(rng.choice(KVA[service])), rng.uniform(1.2, 1.5)
    earth = "New Reactor.earth phases=1 bus1=pole.{n} bus2=pole.0 r=5 x=0\n"
    if service == "120/240":
        return (
            "New Circuit.grid basekv=7.2 phases=1 bus1=hv.1 pu=1 mvasc1=80 mvasc3=80\n"
            + earth.format(n=3)
            + "New Transformer.pole phases=1 windings=3 xhl=2.04 xht=2.04 xlt=1.36 %noloadloss=0.2 "
            f"wdg=1 bus=hv.1.0 kv=7.2 kva={kva} %r={copper / 2} wdg=2 bus=pole.1.3 kv=0.12 kva={kva} %r={copper} "
            f"wdg=3 bus=pole.3.2 kv=0.12 kva={kva} %r={copper}\n"
            + _line("trunk", "pole.1.2.3", "mid.1.2.3", 3, rng.uniform(*SECONDARY_FT), TRIPLEX[0])
        )
    if service == "120/208":
        return (
            "New Circuit.grid basekv=12.47 phases=3 bus1=hv pu=1 mvasc1=120 mvasc3=120\n"
            + earth.format(n=4)
            + "New Transformer.bank phases=3 windings=2 xhl=2.5 %noloadloss=0.2 "
            f"wdg=1 bus=hv conn=wye kv=12.47 kva={kva} %r={copper / 2} "
            f"wdg=2 bus=pole.1.2.3.4 conn=wye kv=0.208 kva={kva} %r={copper / 2}\n"
            + _line("trunk", "pole.1.2.3.4", "mid.1.2.3.4", 4, rng.uniform(*SECONDARY_FT), TRIPLEX[0])
        )
    return (
        "New Circuit.grid basekv=7.2 phases=1 bus1=hv.1 pu=1 mvasc1=80 mvasc3=80\n"
        + earth.format(n=2)
        + "New Transformer.pole phases=1 windings=2 xhl=2.04 %noloadloss=0.2 "
        f"wdg=1 bus=hv.1.0 kv=7.2 kva={kva} %r={copper / 2} wdg=2 bus=pole.1.2 kv=0.24 kva={kva} %r={copper / 2}\n"
        + _line("trunk", "pole.1.2", "mid.1.2", 2, rng.uniform(*SECONDARY_FT), TRIPLEX[0])
    )


def _line(
    name: str, one: str, two: str, wires: int, feet: float, ohm: tuple[float, float], more_ohm: float = 0.0
) -> str:
    """Return a cable whose last wire is the neutral; `more_ohm` in it is a bad joint."""
    kft = feet / 1000
    resistances = [ohm[0] * kft] * (wires - 1) + [ohm[1] * kft + more_ohm]
    real = " | ".join(
        " ".join([f"{MUTUAL_R * kft:.6f}"] * row + [f"{own:.6f}"]) for row, own in enumerate(resistances)
    )
    across = " | ".join(
        " ".join([f"{MUTUAL_X * kft:.6f}"] * row + [f"{SELF_X * kft:.6f}"]) for row in range(wires)
    )
    none = " | ".join(" ".join(["0"] * (row + 1)) for row in range(wires))
    return (
        f"New Line.{name} bus1={one} bus2={two} phases={wires} units=none length=1 "
        f"rmatrix=[{real}] xmatrix=[{across}] cmatrix=[{none}]\n"
    )


def _service(service: str, home: int, is_loose: bool, rng: np.random.Generator) -> str:
    """Return a home's drop from the secondary and its earth rod."""
    feet, ohm = rng.uniform(*DROP_FT), TRIPLEX[int(rng.integers(2))]
    rod_ohm, more_ohm = rng.uniform(*ROD_OHM), rng.uniform(*LOOSE_OHM) if is_loose else 0.0
    if service == "120/240":
        wires, tap = 3, "mid.1.2.3"
    elif service == "120/208":  # leg 2 lags leg 1: phases 1-2, 2-3, 3-1 in turn
        wires, tap = 3, ("mid.1.2.4", "mid.2.3.4", "mid.3.1.4")[home % 3]
    else:
        wires, tap = 2, "mid.1.2"
    ends = ".".join(str(wire + 1) for wire in range(wires))
    return (
        _line(f"drop{home}", tap, f"home{home}.{ends}", wires, feet, ohm, more_ohm)
        + f"New Reactor.rod{home} phases=1 bus1=home{home}.{wires} bus2=home{home}.0 r={rod_ohm} x=0\n"
    )


def _ends(service: str, home: int) -> tuple[tuple[str, str], float]:
    if service == "single":
        return (f"home{home}.1.2", ""), 0.0
    return (f"home{home}.1.3", f"home{home}.2.3"), 0.24 if service == "120/240" else 0.208


def _volts(circuit: Any, monitor: str, service: str) -> tuple[Float, Float]:
    circuit.Monitors.Name = monitor
    table = np.asarray(circuit.Monitors.AsMatrix(), dtype=np.float64)
    phasors = table[:, 2::2] + 1j * table[:, 3::2]
    if service == "single":
        one = np.abs(phasors[:, 0] - phasors[:, 1])
        return one, np.zeros_like(one)
    return np.abs(phasors[:, 0] - phasors[:, 2]), np.abs(phasors[:, 1] - phasors[:, 2])
