"""A home's service solved by a power-flow engine (OpenDSS): an oracle that shares nothing with our algebra.

A 25 kVA pole transformer (7.2 kV to 120/240, or a 12.47 kV/208Y bank), 100 ft of aluminium triplex
with a reduced neutral that carries the difference of the legs, a neutral earthed at the pole and
through a ground rod at the home. Impedances: textbook sizes of 4/0-4/0-2/0 triplex (memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from dss import DSS
from numpy.typing import NDArray

Complex = NDArray[np.complex128]
Float = NDArray[np.float64]

_DROP = """
New Line.drop bus1=pole.1.2.3 bus2=home.1.2.3 phases=3 units=kft length=0.1
~ rmatrix=[0.10 | 0 0.10 | 0 0 0.16] xmatrix=[0.25 | 0.20 0.25 | 0.20 0.20 0.26] cmatrix=[0|0 0|0 0 0]
New Reactor.rod phases=1 bus1=home.3 bus2=home.0 r=25 x=0
"""
_SPLIT_PHASE = (
    """
New Circuit.grid basekv=7.2 phases=1 bus1=hv.1 pu=1.01 mvasc1=100 mvasc3=100
New Reactor.earth phases=1 bus1=pole.3 bus2=pole.0 r=0.001 x=0
New Transformer.pole phases=1 windings=3 xhl=2.04 xht=2.04 xlt=1.36 %noloadloss=0.2
~ wdg=1 bus=hv.1.0 kv=7.2 kva=25 %r=0.6
~ wdg=2 bus=pole.1.3 kv=0.12 kva=25 %r=1.2
~ wdg=3 bus=pole.3.2 kv=0.12 kva=25 %r=1.2
"""
    + _DROP
)
_WYE = (
    """
New Circuit.grid basekv=12.47 phases=3 bus1=hv pu=1.01 mvasc1=100 mvasc3=100
New Reactor.earth phases=1 bus1=pole.3 bus2=pole.0 r=0.001 x=0
New Transformer.bank phases=3 windings=2 xhl=2.04 %noloadloss=0.2
~ wdg=1 bus=hv conn=wye kv=12.47 kva=75 %r=0.6
~ wdg=2 bus=pole.1.2.4.3 conn=wye kv=0.208 kva=75 %r=1.2
"""
    + _DROP
)
_HOME = """
New Load.one bus1=home.1.3 phases=1 kv=0.12 kw=1 kvar=0 model=1 vminpu=0.5 vmaxpu=1.5
New Load.two bus1=home.2.3 phases=1 kv=0.12 kw=1 kvar=0 model=1 vminpu=0.5 vmaxpu=1.5
New Load.line bus1=home.1.2 phases=1 kv={line_kv} kw=1 kvar=0 model=1 vminpu=0.5 vmaxpu=1.5
New Generator.pv bus1=home.1.2 phases=1 kv={line_kv} kw=1 pf=1 model=1 vminpu=0.5 vmaxpu=1.5
Set tolerance=1e-9
"""


@dataclass(frozen=True)
class Service:
    """Phasors at the home over time, shape (n,): what a monitor there could touch.

    `v1`, `v2` [V] leg to neutral; `i1`, `i2` [A] in the service conductors, positive into the home;
    `load_1`, `load_2` [A] in the load conductors of each leg, its share of the 240 V load included;
    `made_w` [W] and `line_va` [VA] what the inverter made and what the load between the legs took.
    """

    v1: Complex
    v2: Complex
    i1: Complex
    i2: Complex
    load_1: Complex
    load_2: Complex
    made_w: Float
    line_va: Complex


def solve(service: str, one_va: Complex, two_va: Complex, line_va: Complex, pv_w: Float) -> Service:
    """Return the home's phasors for each step's loads [VA]: on leg 1, on leg 2, between them; and PV [W].

    `service` is "120/240" or "120/208".
    """
    engine = DSS.NewContext()
    engine.Text.Command = "Clear"
    network = _SPLIT_PHASE if service == "120/240" else _WYE
    home = _HOME.format(line_kv=0.24 if service == "120/240" else 0.208)
    for command in (network + home).strip().splitlines():
        engine.Text.Command = command
    circuit = engine.ActiveCircuit
    steps = []
    for one, two, line, pv in zip(one_va, two_va, line_va, pv_w, strict=True):
        for name, va in (("one", one), ("two", two), ("line", line)):
            circuit.Loads.Name = name
            circuit.Loads.kW, circuit.Loads.kvar = va.real / 1000, va.imag / 1000
        circuit.Generators.Name = "pv"
        circuit.Generators.kW = pv / 1000
        circuit.Solution.Solve()
        assert circuit.Solution.Converged
        steps.append(_touch(circuit))
    v1, v2, i1, i2, load_1, load_2, made, line = np.array(steps).T
    return Service(v1, v2, i1, i2, load_1, load_2, made.real, line)


def _touch(circuit: object) -> tuple[complex, ...]:
    drop = _phasors(circuit, "Line.drop", "Currents")
    volts = _phasors(circuit, "Line.drop", "Voltages")[3:]
    line_amps = _phasors(circuit, "Load.line", "Currents")[0]
    made = -_phasors(circuit, "Generator.pv", "Powers").sum() * 1000
    return (
        volts[0] - volts[2],
        volts[1] - volts[2],
        -drop[3],
        -drop[4],
        _phasors(circuit, "Load.one", "Currents")[0] + line_amps,
        _phasors(circuit, "Load.two", "Currents")[0] - line_amps,
        made,
        _phasors(circuit, "Load.line", "Powers").sum() * 1000,
    )


def _phasors(circuit: object, element: str, what: str) -> Complex:
    circuit.SetActiveElement(element)  # type: ignore[attr-defined]
    values = np.asarray(getattr(circuit.ActiveCktElement, what))  # type: ignore[attr-defined]
    return values if np.iscomplexobj(values) else values[0::2] + 1j * values[1::2]
