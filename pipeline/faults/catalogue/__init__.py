"""The fault catalogue: every module in this folder is one fault, its FAULT.

In: nothing. Out: CATALOGUE, by name, in the contract's order. Open `reversed.py` first.

>>> from pipeline.faults.catalogue import CATALOGUE
>>> CATALOGUE["dead"].legs_on("120/240")
('l1', 'l2', 'both')
"""

from __future__ import annotations

import pkgutil
from collections.abc import Mapping
from importlib import import_module
from types import MappingProxyType

from pipeline.core.contract import FAULTS
from pipeline.faults.types import Fault


def discover(package: str, path: list[str]) -> Mapping[str, Fault]:
    """Return the FAULT of every module on `path` by its name, in the contract's order.

    A fault that the contract doesn't name comes after those, by name.

    Raises
    ------
    AttributeError
        A module there has no FAULT.
    ValueError
        A fault is not named like its module.
    """
    faults: dict[str, Fault] = {}
    for module in pkgutil.iter_modules(path):
        fault: Fault = import_module(f"{package}.{module.name}").FAULT
        if fault.name != module.name:
            raise ValueError(f"{package}.{module.name}: its fault is named {fault.name}")
        faults[fault.name] = fault
    known = [name for name in FAULTS if name in faults]
    return MappingProxyType({name: faults[name] for name in [*known, *sorted(faults.keys() - set(known))]})


CATALOGUE: Mapping[str, Fault] = discover(__name__, list(__path__))
