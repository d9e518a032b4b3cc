"""What can be put right: the inverse of a fault gives back what a right install reads, to a millionth of a watt.

And what can't: for every fault without an inverse two homes unlike each other read the same.
"""

from __future__ import annotations

import importlib
import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.core.services import LINES, SERVICES, service_of
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.channels import Channels, Repair
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring, measure
from pipeline.faults.reading import Reading

N = 96
RNG = np.random.default_rng(8)
ONE, TWO = (RNG.uniform(150, 2500, N) + 1j * RNG.uniform(-200, 500, N) for _ in range(2))
PV_W = np.where(np.arange(N) < N // 2, 0.0, RNG.uniform(0, 6000, N))
V1, V2 = RNG.uniform(116, 126, N), RNG.uniform(116, 126, N)
RNG_3 = np.random.default_rng(9)
THREE, V3 = RNG_3.uniform(150, 2500, N) + 1j * RNG_3.uniform(-200, 500, N), RNG_3.uniform(116, 126, N)
POWERS = ("l1_w", "l2_w", "l3_w")
COLUMNS = (*POWERS, "pv_w", "l1_var", "l2_var", "l3_var")
HAS_INVERSE = [name for name, fault in CATALOGUE.items() if fault.inverse]
HAS_NONE = [name for name in CATALOGUE if name not in HAS_INVERSE]


def home(service: str, one_va: np.ndarray = ONE, two_va: np.ndarray = TWO) -> Circuit:
    lines = slice(service_of(service).line_count)
    return Circuit.from_powers(
        np.array([one_va, two_va, THREE])[lines],
        PV_W,
        volts=np.array([V1, V2, V3])[lines],
        service=service,
        bundle_share=0.4,
    )


def put_right(reading: Reading, name: str, repair: Repair, added: float) -> pl.DataFrame:
    """Take the source's addition off, put the fault right, and add the right production again."""
    frame = pl.DataFrame({c: getattr(reading, c) for c in COLUMNS}).with_columns(
        pl.col(POWERS) - added * pl.col("pv_w"), l1_v=pl.Series(V1), l2_v=pl.Series(V2), l3_v=pl.Series(V3)
    )
    inverse = CATALOGUE[name].inverse
    assert inverse is not None
    right = frame.select(**inverse(Channels.columns(3), repair)._asdict())
    return right.with_columns(pl.col(POWERS) + added * pl.col("pv_w")) if added else right


def cells() -> Iterator[tuple[str, str, str, bool, bool]]:
    for name, service, sees_pv, is_added in itertools.product(
        HAS_INVERSE, SERVICES, (True, False), (True, False)
    ):
        # a source adds production to upstream readings only; one line has no legs to cross
        if (sees_pv or not is_added) and not (SERVICES[service].line_count == 1 and name == "legs_crossed"):
            yield from ((name, leg, service, sees_pv, is_added) for leg in CATALOGUE[name].legs_on(service))


@pytest.mark.parametrize(("name", "leg", "service", "sees_pv", "is_added"), list(cells()))
def test_the_inverse_of_the_effect_is_the_right_reading(
    name: str, leg: str, service: str, sees_pv: bool, is_added: bool
) -> None:
    circuit = home(service)
    led_by = range(1, service_of(service).line_count + 1)
    for cts, by, led in itertools.product((1, 2), ("line", "leg"), led_by):
        sound = Wiring.sound(
            service, sees_pv, cts, production_by=by, production_leg=led, pv_added_back=is_added
        )  # type: ignore[arg-type]
        right = measure(circuit, sound)
        wiring = CATALOGUE[name].effect(sound, circuit, leg, np.random.default_rng(cts))
        factor = {1: 1.0, 2: 2.0 if by == "line" else 1.0, 3: 3.0}[len(led_by)]
        factor *= -1 if leg in LINES and leg != LINES[led - 1] else 1
        order = tuple(ct.line for ct, *_ in wiring.channels) if name == "legs_crossed" else None
        repair = Repair(leg, service, ratio=wiring.ratio, production_factor=factor, order=order)

        fixed = put_right(measure(circuit, wiring), name, repair, right.added_share)

        lost = set()
        if name == "swapped_with_pv":
            lost.add(f"{leg}_var")  # the production channel records none
            if (service == "120/208" and factor != 1.0) or factor == -3.0:
                lost.add(f"{leg}_w")  # only a voltage across that leg's was ever multiplied with its current
            lost |= (
                {*POWERS, "pv_w"} if factor == -3.0 and is_added else {"pv_w"} if factor == -3.0 else set()
            )
        for column in COLUMNS:
            if column in lost:
                assert fixed[column].null_count() == N
            else:
                assert fixed[column].to_numpy() == pytest.approx(
                    getattr(right, column), abs=1e-6, nan_ok=True
                ), column


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_room_without_an_inverse_says_why(name: str) -> None:
    told = importlib.import_module(f"pipeline.faults.catalogue.{name}").__doc__ or ""

    assert ("No inverse" in " ".join(told.split())) == (CATALOGUE[name].inverse is None)


def drawn(name: str, wiring: Wiring, words: str = "", leg: str = "l2") -> Wiring:
    """The wiring with the fault on this leg, of the draws the first whose severity says these words."""
    rngs = (np.random.default_rng(seed) for seed in range(60))
    found = (CATALOGUE[name].effect(wiring, home(wiring.service), leg, rng) for rng in rngs)
    return next(wiring for wiring in found if words in wiring.severity)


def with_bundles(one: float, other: float) -> Circuit:
    """The home with so many more amperes in the two bundles of leg 2."""
    circuit = home("120/240")
    on_2 = np.array([[0.0], [1.0]])
    return replace(circuit, load_a=circuit.load_a + one * on_2, load_b=circuit.load_b + other * on_2)


def never_measured(name: str) -> tuple[Reading, Reading, Circuit, Circuit]:
    """The other leg's load is another, and the readings are the same."""
    wiring = drawn(name, Wiring.sound())
    one, other = home("120/240"), home("120/240", two_va=3 * TWO)
    return measure(one, wiring), measure(other, wiring), one, other


def outside(name: str) -> tuple[Reading, Reading, Circuit, Circuit]:
    """A bundle outside the CT at the loads may carry anything."""
    wiring = drawn(name, Wiring.sound(ct_sees_pv=False), "bundle outside")
    one = with_bundles(0, 0)
    other = with_bundles(0, 7) if wiring.cts("l2")[0].load_b == 0 else with_bundles(7, 0)
    return measure(one, wiring), measure(other, wiring), one, other


def subtracted(name: str) -> tuple[Reading, Reading, Circuit, Circuit]:
    """The same added to both bundles leaves their difference."""
    wiring = drawn(name, Wiring.sound(ct_sees_pv=False, cts_per_leg=2))
    one, other = with_bundles(0, 0), with_bundles(7, 7)
    return measure(one, wiring), measure(other, wiring), one, other


def while_open(name: str) -> tuple[Reading, Reading, Circuit, Circuit]:
    """While the splice is open the load may be anything."""
    rngs = (np.random.default_rng(seed) for seed in range(60))
    found = (CATALOGUE[name].effect(Wiring.sound(), home("120/240"), "l2", rng) for rng in rngs)
    wiring = next(wiring for wiring in found if np.min(wiring.cts("l2")[0].alive) == 0)
    is_open = wiring.cts("l2")[0].alive == 0
    one, other = home("120/240"), home("120/240", two_va=np.where(is_open, 3 * TWO, TWO))
    return measure(one, wiring), measure(other, wiring), one, other


def wider_gap(name: str) -> tuple[Reading, Reading, Circuit, Circuit]:
    """A wider gap around a larger load reads like a narrower one around a smaller load."""
    sound = Wiring.sound(ct_sees_pv=False)
    less, more = drawn(name, sound), CATALOGUE[name].effect(sound, home("120/240"), "l2", RNG)
    assert less.cts("l2")[0].gain != more.cts("l2")[0].gain
    one = home("120/240")
    other = home("120/240", two_va=TWO * np.conj(less.cts("l2")[0].gain / more.cts("l2")[0].gain))
    return measure(one, less), measure(other, more), one, other


def more_offset(name: str) -> tuple[Reading, Reading, Circuit, Circuit]:
    """A watt of load less under a watt of offset more is the same reading."""
    wiring = replace(drawn(name, Wiring.sound(ct_sees_pv=False)), leaks={})
    one, other = home("120/240"), home("120/240", two_va=TWO - 50)
    return measure(one, wiring), measure(other, wiring.with_offset("l2", 50)), one, other


ALIKE: dict[str, Callable[[str], tuple[Reading, Reading, Circuit, Circuit]]] = {
    "dead": never_measured,
    "same_leg": never_measured,
    "partial": outside,
    "opposed_pair": subtracted,
    "intermittent": while_open,
    "loose_core": wider_gap,
    "pickup_noise": more_offset,
}


@pytest.mark.parametrize("name", ALIKE)
def test_two_homes_read_alike_so_nothing_tells_them_apart_again(name: str) -> None:
    one, other, circuit, unlike = ALIKE[name](name)

    for column in COLUMNS:
        assert getattr(one, column) == pytest.approx(getattr(other, column), abs=1e-6, nan_ok=True), column
    assert np.abs(circuit.load_va[1].real - unlike.load_va[1].real).max() > 40


def test_every_fault_without_an_inverse_is_shown_to_have_none_or_reads_right() -> None:
    assert {*ALIKE, "wrong_scope"} == {*HAS_NONE}
    circuit, sound = home("120/240"), Wiring.sound()
    reading = measure(circuit, drawn("wrong_scope", sound, leg="both"))
    for column in COLUMNS:
        assert np.array_equal(
            getattr(reading, column), getattr(measure(circuit, sound), column), equal_nan=True
        )
