"""A home on three lines solved by a power-flow engine (OpenDSS): an oracle that shares nothing with our algebra.

A distribution transformer (11 kV to 400Y, or 12.47 kV to 208Y), 30 m of four-core cable with a neutral as thick
as a line, earthed at the transformer and through a ground rod at the home. Impedances: textbook sizes of a 25 mm2
copper cable (memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from dss import DSS
from opendss_circuit import _phasors

Complex = np.ndarray
Float = np.ndarray

_NETWORK = """
New Circuit.grid basekv={hv_kv} phases=3 bus1=hv pu=1.01 mvasc1=100 mvasc3=100
New Reactor.earth phases=1 bus1=pole.4 bus2=pole.0 r=0.001 x=0
New Transformer.bank phases=3 windings=2 xhl=4.0 %noloadloss=0.2
~ wdg=1 bus=hv conn=wye kv={hv_kv} kva=100 %r=0.6
~ wdg=2 bus=pole.1.2.3.4 conn=wye kv={lv_kv} kva=100 %r=1.2
New Line.drop bus1=pole.1.2.3.4 bus2=home.1.2.3.4 phases=4 units=km length=0.03
~ rmatrix=[0.73 | 0 0.73 | 0 0 0.73 | 0 0 0 0.73]
~ xmatrix=[0.25 | 0.17 0.25 | 0.17 0.17 0.25 | 0.17 0.17 0.17 0.25]
~ cmatrix=[0 | 0 0 | 0 0 0 | 0 0 0 0]
New Reactor.rod phases=1 bus1=home.4 bus2=home.0 r=25 x=0
New Load.one bus1=home.1.4 phases=1 kv={line_kv} kw=1 kvar=0 model=1 vminpu=0.5 vmaxpu=1.5
New Load.two bus1=home.2.4 phases=1 kv={line_kv} kw=1 kvar=0 model=1 vminpu=0.5 vmaxpu=1.5
New Load.three bus1=home.3.4 phases=1 kv={line_kv} kw=1 kvar=0 model=1 vminpu=0.5 vmaxpu=1.5
New Load.motor bus1=home.1.2.3 phases=3 conn=delta kv={lv_kv} kw=1 kvar=0 model=1 vminpu=0.5 vmaxpu=1.5
New Generator.pv bus1=home.{pv_nodes} phases={pv_phases} kv={pv_kv} kw=1 pf=1 model=1 vminpu=0.5 vmaxpu=1.5
Set tolerance=1e-9
"""
_KV = {"230/400": (11.0, 0.4, 0.23), "120/208 three-phase": (12.47, 0.208, 0.12)}
_LOADS = ("one", "two", "three")


@dataclass(frozen=True)
class ThreePhase:
    """Phasors at the home over time, shape (3, n): what a monitor there could touch.

    `volts` [V] line to neutral; `service` [A] in the service conductors, positive into the home; `load` [A] in the
    load conductors of each line, the motor's part included; `pv` [A] in the inverter's conductors, positive towards
    the panel; `made_w` [W] what the inverter made, shape (n,).
    """

    volts: Complex
    service: Complex
    load: Complex
    pv: Complex
    made_w: Float


def solve_three(
    service: str, loads_va: Complex, motor_va: Complex, pv_w: Float, pv_line: int | None = None
) -> ThreePhase:
    """Return the home's phasors for each step's loads [VA], of shape (3, n), of a motor (n,), and PV [W] (n,).

    `pv_line` is None for an inverter on three lines, 1 to 3 for one from a line to neutral.
    """
    hv_kv, lv_kv, line_kv = _KV[service]
    engine = DSS.NewContext()
    engine.Text.Command = "Clear"
    network = _NETWORK.format(
        hv_kv=hv_kv,
        lv_kv=lv_kv,
        line_kv=line_kv,
        pv_nodes=f"{pv_line}.4" if pv_line else "1.2.3.4",
        pv_phases=1 if pv_line else 3,
        pv_kv=line_kv if pv_line else lv_kv,
    )
    for command in network.strip().splitlines():
        engine.Text.Command = command
    circuit = engine.ActiveCircuit
    steps = []
    for loads, motor, pv in zip(loads_va.T, motor_va, pv_w, strict=True):
        for name, va in zip((*_LOADS, "motor"), (*loads, motor), strict=True):
            circuit.Loads.Name = name
            circuit.Loads.kW, circuit.Loads.kvar = va.real / 1000, va.imag / 1000
        circuit.Generators.Name = "pv"
        circuit.Generators.kW = pv / 1000
        circuit.Solution.Solve()
        assert circuit.Solution.Converged
        steps.append(_touch(circuit, pv_line))
    volts, service_amps, load, pv_amps, made = (np.array(values) for values in zip(*steps, strict=True))
    return ThreePhase(volts.T, service_amps.T, load.T, pv_amps.T, made)


def _touch(circuit: object, pv_line: int | None) -> tuple[Complex, Complex, Complex, Complex, float]:
    drop = _phasors(circuit, "Line.drop", "Currents")
    at_home = _phasors(circuit, "Line.drop", "Voltages")[4:]
    own = np.array([_phasors(circuit, f"Load.{name}", "Currents")[0] for name in _LOADS])
    motor = _phasors(circuit, "Load.motor", "Currents")[:3]
    fed = -_phasors(circuit, "Generator.pv", "Currents")
    pv = fed[:3] if pv_line is None else np.where(np.arange(1, 4) == pv_line, fed[0], 0.0)
    made = -_phasors(circuit, "Generator.pv", "Powers").sum().real * 1000
    return at_home[:3] - at_home[3], -drop[4:7], own + motor, pv, float(made)
