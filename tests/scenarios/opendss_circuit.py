"""A home's service solved by a power-flow engine (OpenDSS): an oracle that shares nothing with our algebra.

A 25 kVA pole transformer (7.2 kV to 120/240 or to one 240 V line, or a 12.47 kV/208Y bank), 100 ft of
aluminium triplex with a reduced neutral that carries the difference of the legs, a neutral earthed at
the pole and through a ground rod at the home. Impedances: textbook sizes of 4/0-4/0-2/0 triplex (memory).
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
# The same with one line and neutral; leg 2 is there, carries nothing and is not looked at.
_ONE_LINE = (
    """
New Circuit.grid basekv=7.2 phases=1 bus1=hv.1 pu=1.01 mvasc1=100 mvasc3=100
New Reactor.earth phases=1 bus1=pole.3 bus2=pole.0 r=0.001 x=0
New Transformer.pole phases=1 windings=2 xhl=2.04 %noloadloss=0.2
~ wdg=1 bus=hv.1.0 kv=7.2 kva=25 %r=0.6
~ wdg=2 bus=pole.1.3 kv=0.24 kva=25 %r=1.2
New Reactor.held phases=1 bus1=home.2 bus2=home.3 r=1 x=0
"""
    + _DROP
)
_NETWORKS = {"120/240": _SPLIT_PHASE, "120/208": _WYE, "single": _ONE_LINE}
_LEG_KV = {"120/240": 0.12, "120/208": 0.12, "single": 0.24}
_LINE_KV = {"120/240": 0.24, "120/208": 0.208, "single": 0.24}
_HOME = """
New Load.one bus1=home.1.3 phases=1 kv={leg_kv} kw=1 kvar=0 model=1 vminpu=0.5 vmaxpu=1.5
New Load.two bus1=home.2.3 phases=1 kv={leg_kv} kw=1 kvar=0 model=1 vminpu=0.5 vmaxpu=1.5
New Load.line bus1=home.{line_nodes} phases=1 kv={line_kv} kw=1 kvar=0 model=1 vminpu=0.5 vmaxpu=1.5
New Generator.pv bus1=home.{pv_nodes} phases=1 kv={pv_kv} kw=1 pf=1 model=1 vminpu=0.5 vmaxpu=1.5
Set tolerance=1e-9
"""
_PV_NODES = {"both": "1.2", "l1": "1.3", "l2": "2.3"}


@dataclass(frozen=True)
class Service:
    """Phasors at the home over time, shape (n,): what a monitor there could touch.

    `v1`, `v2` [V] leg to neutral; `i1`, `i2` [A] in the service conductors, positive into the home;
    `load_1`, `load_2` [A] in the load conductors of each leg, its share of the 240 V load included, which
    alone is `line_1`, `line_2` (a bundle of its own); `pv_1`, `pv_2` [A] in the inverter's conductors,
    positive towards the panel; `made_w` [W] and `line_va` [VA] what the inverter made and what the load
    between the legs took.
    """

    v1: Complex
    v2: Complex
    i1: Complex
    i2: Complex
    load_1: Complex
    load_2: Complex
    line_1: Complex
    line_2: Complex
    pv_1: Complex
    pv_2: Complex
    made_w: Float
    line_va: Complex


def solve(
    service: str, one_va: Complex, two_va: Complex, line_va: Complex, pv_w: Float, pv_leg: str = "both"
) -> Service:
    """Return the home's phasors for each step's loads [VA]: on leg 1, on leg 2, between them; and PV [W].

    `service` is "120/240", "120/208" or "single" (`two_va` then zero, `line_va` a second load on the one
    line); `pv_leg` is "both" for an inverter between the legs, "l1" or "l2" for one from a leg to neutral.
    """
    engine = DSS.NewContext()
    engine.Text.Command = "Clear"
    is_single = service == "single"
    home = _HOME.format(
        leg_kv=_LEG_KV[service],
        line_kv=_LINE_KV[service],
        line_nodes="1.3" if is_single else "1.2",
        pv_nodes=_PV_NODES["l1" if is_single else pv_leg],
        pv_kv=_LINE_KV[service] if pv_leg == "both" else _LEG_KV[service],
    )
    for command in (_NETWORKS[service] + home).strip().splitlines():
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
        steps.append(_touch(circuit, is_single, pv_leg))
    *phasors, made, line = np.array(steps).T
    return Service(*phasors, made_w=made.real, line_va=line)


def _touch(circuit: object, is_single: bool, pv_leg: str) -> tuple[complex, ...]:
    drop = _phasors(circuit, "Line.drop", "Currents")
    volts = _phasors(circuit, "Line.drop", "Voltages")[3:]
    line_amps = _phasors(circuit, "Load.line", "Currents")[0]
    line_back = 0.0 if is_single else -line_amps
    pv_amps = -_phasors(circuit, "Generator.pv", "Currents")[0]
    made = -_phasors(circuit, "Generator.pv", "Powers").sum() * 1000
    return (
        volts[0] - volts[2],
        volts[1] - volts[2],
        -drop[3],
        -drop[4],
        _phasors(circuit, "Load.one", "Currents")[0] + line_amps,
        _phasors(circuit, "Load.two", "Currents")[0] + line_back,
        line_amps,
        line_back,
        0.0 if pv_leg == "l2" else pv_amps,
        pv_amps if pv_leg == "l2" else -pv_amps if pv_leg == "both" and not is_single else 0.0,
        made,
        _phasors(circuit, "Load.line", "Powers").sum() * 1000,
    )


def _phasors(circuit: object, element: str, what: str) -> Complex:
    circuit.SetActiveElement(element)  # type: ignore[attr-defined]
    values = np.asarray(getattr(circuit.ActiveCktElement, what))  # type: ignore[attr-defined]
    return values if np.iscomplexobj(values) else values[0::2] + 1j * values[1::2]
