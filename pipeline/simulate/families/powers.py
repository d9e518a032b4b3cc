"""A home's true powers, as its family draws them: loads, sun on its roofs, inverter, battery."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.faults.circuit import Complex, Float
from pipeline.simulate.families import heavy, loads, measured, measured_sun, sunny_loads
from pipeline.simulate.families.array import production
from pipeline.simulate.families.clouds import over_home, sky_over
from pipeline.simulate.families.panel import Loads
from pipeline.simulate.families.spec import Area, Home, Roof, UnlikeSpec
from pipeline.simulate.families.weather import seen_from_home, weather

STANDBY_W, STANDBY_SHARE = (1.0, 6.0), 0.5  # what some inverters take in the dark
BATTERY_W, BATTERY_KWH = (3300.0, 5000.0, 7600.0), (9.0, 13.5, 20.0)
TWO_WAYS_SHARE, FIXED_FACTOR_SHARE, VOLT_VAR_SHARE = 0.35, 0.35, 0.2
LEAST_FACTOR = 0.95  # power factor of an inverter
BY_TARIFF_SHARE = 0.45


@dataclass(frozen=True)
class Powers:
    """True powers of a home at one minute: loads, `pv_w`, `battery_w` and `hidden_w` of a second array [W].

    `pv_w` is a few watts negative in the dark where the inverter has a standby. `pv_tan` is the reactive
    over the real power that the monitored inverter gives, positive giving [var/W]; None at power factor 1.
    """

    loads: Loads
    pv_w: Float
    battery_w: Float
    hidden_w: Float
    pv_tan: Float | None = None

    @property
    def pv_va(self) -> Complex | Float:
        """What the monitored inverter gives [W + j var]."""
        return self.pv_w if self.pv_tan is None else self.pv_w * (1 + 1j * self.pv_tan)


def powers_of(
    spec: UnlikeSpec, home: Home, area: Area, *, pool: Path | None = None, rng: np.random.Generator
) -> Powers:
    """Return the home's true powers over the window, as its family draws them.

    Parameters
    ----------
    spec, home, area
        The fleet, the home and where it is.
    pool, rng
        Folder of households that only family "crest" needs; the home's random numbers.

    Raises
    ------
    InputError
        A package of the proof extra that the family needs is not installed.
    ValueError
        Family "crest" without a pool.
    """
    if spec.family == "weather":
        return _weather_powers(spec, home, area, rng)
    if spec.family == "measured":
        return _measured_powers(spec, home, area, rng)
    if pool is None:
        raise ValueError("family crest deals its households from a pool")
    return _crest_powers(spec, home, area, pool, rng)


def _crest_powers(spec: UnlikeSpec, home: Home, area: Area, pool: Path, rng: np.random.Generator) -> Powers:
    sky = weather(spec, home.area, area)
    drawn = loads.draw_loads(spec, home, area, air_c=sky.air_c, pool=pool, rng=rng)
    pv_w, hidden_w = np.zeros((2, spec.steps))
    if home.roof is not None:
        index = seen_from_home(sky, rng)
        pv_w = production(home.roof, spec.start, index, air_c=sky.air_c) * _uncovered_share(spec, home, rng)
        pv_w = _with_standby(pv_w, rng)
        if home.hard == "second_array":
            hidden_w = production(_draw_other_roof(home.roof, rng), spec.start, index, air_c=sky.air_c)
    battery_w = _battery_w(spec, home, area, drawn.total_w - pv_w - hidden_w, rng)
    return Powers(drawn, pv_w, battery_w, hidden_w)


def _measured_powers(spec: UnlikeSpec, home: Home, area: Area, rng: np.random.Generator) -> Powers:
    drawn = measured.draw_loads(spec, home, area, rng=rng)
    pv_w, hidden_w = np.zeros((2, spec.steps))
    if home.roof is not None:
        has_other = home.hard == "second_array"
        pv_w, hidden_w = measured_sun.production(
            home.roof, spec.start, spec.steps, rng=rng, with_other=has_other
        )
        pv_w = measured_sun.with_standby(pv_w * _uncovered_share(spec, home, rng), rng)
    battery_w = _battery_w(spec, home, area, drawn.total_w - pv_w - hidden_w, rng)
    return Powers(drawn, pv_w, battery_w, hidden_w)


def _weather_powers(spec: UnlikeSpec, home: Home, area: Area, rng: np.random.Generator) -> Powers:
    outside = over_home(sky_over(spec, home.area, area), rng)
    pv_w, hidden_w = np.zeros((2, spec.steps))
    pv_tan = None
    if home.roof is not None:
        sunny_w = sum(
            production(roof, spec.start, outside.index, air_c=outside.air_c)
            for roof in draw_planes(home.roof, rng)
        )
        share = _uncovered_share(spec, home, rng)
        pv_w = _with_standby(np.minimum(sunny_w, 1000 * home.roof.ac_kw) * share, rng)
        pv_tan = draw_inverter_tan(home, pv_w, rng)
        if home.hard == "second_array":
            other = _draw_other_roof(home.roof, rng)
            hidden_w = production(other, spec.start, outside.index, air_c=outside.air_c)
    drawn = sunny_loads.draw_loads(spec, home, area, outside=outside, pv_w=pv_w + hidden_w, rng=rng)
    battery_w = _battery_w(spec, home, area, drawn.total_w - pv_w - hidden_w, rng)
    return Powers(drawn, pv_w, battery_w, hidden_w, pv_tan)


def _battery_w(spec: UnlikeSpec, home: Home, area: Area, net_w: Float, rng: np.random.Generator) -> Float:
    """Return the battery's power [W], positive discharging; 0 without one."""
    if not home.battery:
        return np.zeros(spec.steps)
    hour = (area.local_minutes(spec.steps) % 1440) / 60
    most_w, kwh = float(rng.choice(BATTERY_W)), float(rng.choice(BATTERY_KWH))
    exports = home.battery == "exports"
    if spec.family != "weather" or exports:
        return heavy.battery(rng, net_w, hour, most_w=most_w, kwh=kwh, exports=exports)
    by_tariff = bool(rng.random() < BY_TARIFF_SHARE)
    return heavy.tariff_battery(rng, net_w, hour, most_w=most_w, kwh=kwh, by_tariff=by_tariff)


def draw_planes(roof: Roof, rng: np.random.Generator) -> list[Roof]:
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


def draw_inverter_tan(home: Home, pv_w: Float, rng: np.random.Generator) -> Float | None:
    """Return the reactive over the real power that the inverter gives (negative: takes), None for none.

    It holds a power factor, or takes more the more it feeds, as one does that watches a voltage which its own
    feeding raises.
    """
    assert home.roof is not None
    factor, sign, kind = rng.uniform(LEAST_FACTOR, 1.0), 1 if rng.random() < 0.35 else -1, rng.random()
    most = float(np.sqrt(1 / factor**2 - 1))
    # One conductor folded through the CT on a 208 V inverter would read its reactive power as production:
    # an installer notices, so such a home has none.
    if (
        home.service == "120/208" and home.production_by == "leg"
    ) or kind >= FIXED_FACTOR_SHARE + VOLT_VAR_SHARE:
        return None
    feeding = np.clip(pv_w / (1000 * home.roof.ac_kw), 0.0, 1.0)
    if kind < FIXED_FACTOR_SHARE:
        return np.where(feeding > 0.01, sign * most, 0.0)
    return -most * np.clip((feeding - 0.25) / 0.5, 0.0, 1.0)


def _with_standby(pv_w: Float, rng: np.random.Generator) -> Float:
    """Return production that is a few watts negative in the dark, in some homes."""
    standby_w = float(rng.uniform(*STANDBY_W)) * (rng.random() < STANDBY_SHARE)
    return np.where(pv_w > 0, pv_w, -standby_w)


def _draw_other_roof(roof: Roof, rng: np.random.Generator) -> Roof:
    """Return the roof of a second array that nobody monitors."""
    return Roof(
        roof.latitude, roof.longitude, float(rng.uniform(5, 40)), float(rng.uniform(80, 280)),
        *(roof.ac_kw * rng.uniform(0.3, 1.0) * np.array([1.2, 1.0])),
    )  # fmt: skip


def _uncovered_share(spec: UnlikeSpec, home: Home, rng: np.random.Generator) -> Float:
    """Return the share of production that an outage or snow leaves, a minute."""
    left = np.ones(spec.steps)
    if home.hard == "pv_outage":
        first = int(rng.uniform(0, 0.7) * spec.steps)
        length = spec.steps if rng.random() < 0.4 else int(rng.uniform(0.1, 0.5) * spec.steps)
        left[first : first + length] = 0.0
    if home.hard == "snow":
        first = int(rng.uniform(0, 0.4) * spec.steps)
        length = int(rng.uniform(0.2, 0.6) * spec.steps)
        left[first : first + length] = rng.uniform(0, 0.05)
        thaw = left[first + length : first + length + 2880]
        thaw[:] = np.linspace(0.05, 1.0, 2880)[: thaw.size]
    return left
