"""A home's solar power at one minute from pvlib: its place, roof, module and inverter.

Sun position and clear-sky irradiance (simplified Solis) are taken every five minutes at the home's own
latitude and longitude and interpolated; the minute's clear-sky index then weakens the beam more than the
diffuse light. Module and inverter are pvlib's PVWatts models, so the inverter clips at its AC rating.
"""

from __future__ import annotations

import warnings
from datetime import datetime

import numpy as np

from pipeline.faults.circuit import Float
from pipeline.simulate.families.extra import need
from pipeline.simulate.families.spec import Roof

GRID_MIN = 5
TEMPERATURE_PER_C = -0.0037
SYSTEM_LOSS = 0.12  # dirt, mismatch, wiring


def production(roof: Roof, start: datetime, index: Float, *, air_c: Float) -> Float:
    """Return AC power [W] a minute, never negative.

    Parameters
    ----------
    roof
        The array.
    start
        First minute, UTC without a zone.
    index
        Clear-sky index over the home [-], shape (n,).
    air_c
        Air temperature [degrees C], shape (n,).

    Raises
    ------
    InputError
        pvlib is not installed.
    """
    pandas, pvlib = need("pandas"), need("pvlib")
    steps = index.shape[0]
    grid = pandas.date_range(start, periods=steps // GRID_MIN + 2, freq=f"{GRID_MIN}min", tz="UTC")
    with warnings.catch_warnings():  # pvlib asks pandas for a name that pandas is about to drop
        warnings.filterwarnings("ignore", message="DatetimeIndex.dayofyear is deprecated")
        sun = pvlib.solarposition.ephemeris(grid, roof.latitude, roof.longitude)
    up = sun["apparent_elevation"].to_numpy()
    sky = pvlib.clearsky.simplified_solis(np.clip(up, 0.1, None))
    facing = pvlib.irradiance.aoi_projection(
        roof.tilt, roof.azimuth, sun["apparent_zenith"].to_numpy(), sun["azimuth"].to_numpy()
    )
    is_up = up > 0
    beam = np.where(is_up, np.asarray(sky["dni"]) * np.clip(facing, 0, None), 0.0)
    tilt = np.deg2rad(roof.tilt)
    diffuse = np.where(
        is_up,
        np.asarray(sky["dhi"]) * (1 + np.cos(tilt)) / 2
        + 0.2 * np.asarray(sky["ghi"]) * (1 - np.cos(tilt)) / 2,
        0.0,
    )
    minute, grid_min = np.arange(steps), np.arange(len(grid)) * GRID_MIN
    through = np.clip((index - 0.25) / 0.75, 0.0, None)  # the share of the beam that gets through
    scattered = np.clip(index * 1.6, 0.0, None) * (1 - np.minimum(through, 1)) + np.minimum(through, 1)
    light = np.interp(minute, grid_min, beam) * through + np.interp(minute, grid_min, diffuse) * scattered
    cell_c = air_c + 0.03 * light
    dc_w = pvlib.pvsystem.pvwatts_dc(light, cell_c, roof.dc_kw * 1000.0, TEMPERATURE_PER_C)
    power = pvlib.inverter.pvwatts(dc_w * (1 - SYSTEM_LOSS), roof.ac_kw * 1000.0 / 0.96)
    produced: Float = np.nan_to_num(np.clip(np.asarray(power, dtype=float), 0.0, None))
    return produced
