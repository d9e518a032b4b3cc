"""A home's powers in family "weather": sun on one roof or two, inverters with reactive power, batteries."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.families import heavy
from pipeline.simulate.families.array import Roof, production
from pipeline.simulate.families.clouds import over_home, sky_over
from pipeline.simulate.families.home import Area, Home
from pipeline.simulate.families.loads import local_minutes
from pipeline.simulate.families.powers import (
    BATTERY_KWH,
    BATTERY_W,
    Powers,
    covered,
    other_roof,
    with_standby,
)
from pipeline.simulate.families.spec import UnlikeSpec
from pipeline.simulate.families.sunny_loads import draw_loads

Float = NDArray[np.float64]
TWO_WAYS_SHARE, HELD_SHARE, VOLT_VAR_SHARE = 0.35, 0.35, 0.2
LEAST_FACTOR = 0.95  # power factor an inverter holds
PEAK_H, CHEAP_H = (16.0, 21.0), (0.5, 5.0)  # local hours of a tariff


def sunny_powers(spec: UnlikeSpec, home: Home, area: Area, rng: np.random.Generator) -> Powers:
    """Return the home's true powers over the window."""
    sky = sky_over(spec.seed, home.area, area, spec.end, spec.steps)
    outside = over_home(sky, rng)
    pv_w, hidden_w = np.zeros(spec.steps), np.zeros(spec.steps)
    pv_tan = None
    if home.roof is not None:
        made = sum(
            production(roof, spec.start, outside.index, outside.air_c) for roof in roofs(home.roof, rng)
        )
        pv_w = with_standby(np.minimum(made, 1000 * home.roof.ac_kw) * covered(spec, home, rng), rng)
        pv_tan = inverter_tan(home, pv_w, rng)
        if home.hard == "second_array":
            hidden_w = production(other_roof(home.roof, rng), spec.start, outside.index, outside.air_c)
    loads = draw_loads(spec, home, area, outside, pv_w + hidden_w, rng)
    battery_w = np.zeros(spec.steps)
    if home.battery:
        net_w = loads.va.real.sum(axis=0) - pv_w - hidden_w
        hour = (local_minutes(spec, area) % 1440) / 60
        most_w, kwh = float(rng.choice(BATTERY_W)), float(rng.choice(BATTERY_KWH))
        if home.battery == "exports":
            battery_w = heavy.battery(rng, net_w, hour, most_w, kwh, exports=True)
        else:
            battery_w = battery(rng, net_w, hour, most_w, kwh, by_tariff=bool(rng.random() < 0.45))
    return Powers(loads, pv_w, battery_w, hidden_w, pv_tan)


def roofs(roof: Roof, rng: np.random.Generator) -> list[Roof]:
    """Return the planes of the home's array: in some homes two, facing two ways behind one inverter."""
    share, apart = float(rng.uniform(0.25, 0.75)), float(rng.choice([90.0, 180.0]))
    tilt = float(np.clip(roof.tilt + rng.normal(0, 8), 5, 45))
    if rng.random() >= TWO_WAYS_SHARE:
        return [roof]
    # each plane may use all of the inverter; their sum is cut off at its rating
    return [
        replace(roof, dc_kw=share * roof.dc_kw),
        replace(roof, dc_kw=(1 - share) * roof.dc_kw, azimuth=(roof.azimuth + apart) % 360, tilt=tilt),
    ]


def inverter_tan(home: Home, pv_w: Float, rng: np.random.Generator) -> Float | None:
    """Return the reactive over the real power that the inverter gives (negative: takes), None for none.

    It holds a power factor, or takes more the more it feeds, as one does that watches a voltage which its own
    feeding raises.
    """
    assert home.roof is not None
    factor, way, kind = rng.uniform(LEAST_FACTOR, 1.0), 1 if rng.random() < 0.35 else -1, rng.random()
    most = float(np.sqrt(1 / factor**2 - 1))
    # One conductor folded through the clamp on a 208 V inverter would read its reactive power as production:
    # an installer notices, so such a home has none.
    if (home.service == "120/208" and home.production_by == "leg") or kind >= HELD_SHARE + VOLT_VAR_SHARE:
        return None
    feeding = np.clip(pv_w / (1000 * home.roof.ac_kw), 0.0, 1.0)
    if kind < HELD_SHARE:
        held: Float = np.where(feeding > 0.01, way * most, 0.0)
        return held
    tan: Float = -most * np.clip((feeding - 0.25) / 0.5, 0.0, 1.0)
    return tan


def battery(
    rng: np.random.Generator, net_w: Float, hour: Float, most_w: float, kwh: float, by_tariff: bool
) -> Float:
    """Return a battery's power [W], positive discharging, in steps of five minutes.

    It stores surplus and covers the home's need above a reserve; `by_tariff` it gives only in dear hours, and
    in some homes fills up from the grid in cheap ones.
    """
    need, clock = (values.reshape(-1, 5).mean(axis=1) for values in (net_w, hour))
    reserve, fills = rng.uniform(0.1, 0.5) * kwh, rng.random() < 0.5
    share = rng.uniform(0.85, 1.0)  # of the need that it covers: its own meter is not exact
    wish = np.clip(np.where(need > 0, share * need, need), -most_w, most_w)
    if by_tariff:
        is_dear = (clock >= PEAK_H[0]) & (clock < PEAK_H[1])
        is_cheap = (clock >= CHEAP_H[0]) & (clock < CHEAP_H[1])
        wish = np.where(is_dear, wish, np.minimum(wish, 0.0))
        if fills:
            wish = np.where(is_cheap, -0.6 * most_w, wish)
    given, held = np.zeros(wish.size), rng.uniform(0.3, 0.9) * kwh
    for at, want in enumerate(wish.tolist()):
        give = (
            min(want, max(held - reserve, 0.0) * 12e3) if want > 0 else max(want, (held - kwh) * 12e3 / 0.9)
        )
        held -= give / 12e3 if give > 0 else 0.9 * give / 12e3
        given[at] = give
    return np.repeat(given, 5)
