"""Sound in air: its speed, its wavelength, how fast it fades, and echo time to range and back.

Temperatures in degrees Celsius, pressures in kPa, relative humidity in per cent; everything else in metres, seconds,
hertz, decibels.  Every function takes single values or arrays (shapes broadcast) and returns an array of that shape.
Nothing about the ranger's transducer here (`beams`), nothing about what a firmware assumed (`calibration`).
"""

from __future__ import annotations

import numpy as np

from sonargrid.arrays import Floats, Numbers

ZERO_CELSIUS_K = 273.15  # exact, by definition of the Celsius scale
STANDARD_PRESSURE_KPA = 101.325  # standard atmosphere; reference pressure of ISO 9613-1:1993
CO2_FRACTION = 400e-6  # mole fraction of carbon dioxide in outdoor air; common practice, no source

# O. Cramer, J. Acoust. Soc. Am. 93(5), 2510-2516, 1993: speed of sound [m/s] with t in degC, p in Pa and the mole
# fractions of water vapour and carbon dioxide; rows are multiplied by (1, t, t^2).  Stated for 0..30 degC, 75..102 kPa.
_CRAMER_AIR = (331.5024, 0.603055, -0.000528)
_CRAMER_WATER = (51.471935, 0.1495874, -0.000782)
_CRAMER_PRESSURE = (-1.82e-7, 3.73e-8, -2.93e-10)
_CRAMER_CO2 = (-85.20931, -0.228525, 5.91e-5)
_CRAMER_SECOND_ORDER = (-2.835149, -2.15e-13, 29.179762, 0.000486)  # water^2, p^2, CO2^2, water * p * CO2

CRAMER_TEMPERATURE_C = (0.0, 30.0)  # where that polynomial was fitted
CRAMER_PRESSURE_KPA = (75.0, 102.0)

_ISO_REFERENCE_K = 293.15  # 20 degC; ISO 9613-1:1993
_ISO_REFERENCE_SPEED_M_S = 343.2  # ISO 9613-1:1993, formula A.5
_ISO_TRIPLE_POINT_K = 273.16  # triple point of water; ISO 9613-1:1993, annex B


def _celsius(temperature_c: Numbers) -> Floats:
    """Return temperatures as an array, refusing those that no air has."""
    t = np.asarray(temperature_c, dtype=np.float64)
    if not bool(np.all(t > -ZERO_CELSIUS_K)):
        raise ValueError("temperature_c must lie above absolute zero, -273.15")
    return t


def _moisture(relative_humidity_pct: Numbers, pressure_kpa: Numbers) -> tuple[Floats, Floats]:
    """Return humidity as a fraction and pressure in Pa, refusing what cannot be."""
    h = np.asarray(relative_humidity_pct, dtype=np.float64) / 100.0
    p = np.asarray(pressure_kpa, dtype=np.float64) * 1000.0
    if not bool(np.all((h >= 0.0) & (h <= 1.0))):
        raise ValueError("relative_humidity_pct must lie in 0..100")
    if not bool(np.all(p > 0.0)):
        raise ValueError("pressure_kpa must be above 0")
    return h, p


def _quadratic(coefficients: tuple[float, float, float], t: Floats) -> Floats:
    """Return c0 + c1 t + c2 t^2."""
    c0, c1, c2 = coefficients
    return np.asarray(c0 + t * (c1 + t * c2))


def water_vapour_fraction(
    temperature_c: Numbers, relative_humidity_pct: Numbers, pressure_kpa: Numbers = STANDARD_PRESSURE_KPA
) -> Floats:
    """Return the mole fraction of water vapour in moist air.

    Parameters
    ----------
    temperature_c, relative_humidity_pct, pressure_kpa : float or arrays that broadcast
        Air temperature [degC], relative humidity [%], pressure [kPa].

    Raises
    ------
    ValueError
        If a temperature lies below absolute zero, a humidity outside 0..100 or a pressure is not above 0.

    References
    ----------
    R. S. Davis, Metrologia 29, 67-70, 1992: saturation pressure and enhancement factor (constants from memory, checked
    through the speeds of sound that they lead to).

    Examples
    --------
    >>> round(float(water_vapour_fraction(20.0, 50.0)), 5)
    0.01159
    """
    t = _celsius(temperature_c)
    h, p = _moisture(relative_humidity_pct, pressure_kpa)
    kelvin = t + ZERO_CELSIUS_K
    saturation_pa = np.exp(1.2378847e-5 * kelvin * kelvin - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t * t
    return np.asarray(h * enhancement * saturation_pa / p)


def sound_speed(
    temperature_c: Numbers,
    relative_humidity_pct: Numbers = 50.0,
    pressure_kpa: Numbers = STANDARD_PRESSURE_KPA,
    *,
    co2_fraction: Numbers = CO2_FRACTION,
) -> Floats:
    """Return the speed of sound in moist air [m/s].

    Parameters
    ----------
    temperature_c, relative_humidity_pct, pressure_kpa : float or arrays that broadcast
        Air temperature [degC], relative humidity [%], pressure [kPa]; stated for 0..30 degC and 75..102 kPa.
    co2_fraction : float or array
        Mole fraction of carbon dioxide; stated up to 0.01.

    Raises
    ------
    ValueError
        If a temperature lies below absolute zero, a humidity outside 0..100 or a pressure is not above 0.

    References
    ----------
    O. Cramer, "The variation of the specific heat ratio and the speed of sound in air with temperature, pressure,
    humidity, and CO2 concentration", J. Acoust. Soc. Am. 93(5), 2510-2516, 1993.

    Examples
    --------
    >>> round(float(sound_speed(20.0, 50.0)), 3), round(float(sound_speed(20.0, 0.0)), 3)
    (343.987, 343.359)
    """
    t = _celsius(temperature_c)
    water = water_vapour_fraction(t, relative_humidity_pct, pressure_kpa)
    p = np.asarray(pressure_kpa, dtype=np.float64) * 1000.0
    co2 = np.asarray(co2_fraction, dtype=np.float64)
    water2, p2, co22, cross = _CRAMER_SECOND_ORDER
    first_order = (
        _quadratic(_CRAMER_AIR, t)
        + _quadratic(_CRAMER_WATER, t) * water
        + _quadratic(_CRAMER_PRESSURE, t) * p
        + _quadratic(_CRAMER_CO2, t) * co2
    )
    return np.asarray(first_order + water2 * water * water + p2 * p * p + co22 * co2 * co2 + cross * water * p * co2)


def outside_stated_air(temperature_c: float, pressure_kpa: float) -> bool:
    """Return whether `sound_speed` is asked beyond the air its formula was fitted for.

    >>> outside_stated_air(20.0, 101.325), outside_stated_air(38.0, 101.325)
    (False, True)
    """
    (cold, hot), (low, high) = CRAMER_TEMPERATURE_C, CRAMER_PRESSURE_KPA
    return not (cold <= temperature_c <= hot and low <= pressure_kpa <= high)


def sound_speed_iso(temperature_c: Numbers) -> Floats:
    """Return the speed of sound as ISO 9613-1 has it [m/s]: from temperature alone.

    Raises
    ------
    ValueError
        If a temperature lies below absolute zero.

    References
    ----------
    ISO 9613-1:1993, formula A.5.

    Examples
    --------
    >>> round(float(sound_speed_iso(0.0)), 3)
    331.286
    """
    kelvin = _celsius(temperature_c) + ZERO_CELSIUS_K
    return np.asarray(_ISO_REFERENCE_SPEED_M_S * np.sqrt(kelvin / _ISO_REFERENCE_K))


def relaxation_frequencies(
    temperature_c: Numbers, relative_humidity_pct: Numbers, pressure_kpa: Numbers = STANDARD_PRESSURE_KPA
) -> tuple[Floats, Floats]:
    """Return the relaxation frequencies of oxygen and of nitrogen in moist air [Hz].

    Raises
    ------
    ValueError
        As `sound_speed`.

    References
    ----------
    ISO 9613-1:1993, formulas 3 and 4, with the water vapour of its annex B.

    Examples
    --------
    >>> oxygen, nitrogen = relaxation_frequencies(20.0, 50.0)
    >>> round(float(oxygen)), round(float(nitrogen))
    (35414, 332)
    """
    kelvin = _celsius(temperature_c) + ZERO_CELSIUS_K
    humidity, pascal = _moisture(relative_humidity_pct, pressure_kpa)
    pressure = pascal / (STANDARD_PRESSURE_KPA * 1000.0)
    warmth = kelvin / _ISO_REFERENCE_K
    saturation = 10.0 ** (-6.8346 * (_ISO_TRIPLE_POINT_K / kelvin) ** 1.261 + 4.6151)
    water_pct = 100.0 * humidity * saturation / pressure
    oxygen = pressure * (24.0 + 4.04e4 * water_pct * (0.02 + water_pct) / (0.391 + water_pct))
    nitrogen = pressure * warmth**-0.5 * (9.0 + 280.0 * water_pct * np.exp(-4.170 * (warmth ** (-1.0 / 3.0) - 1.0)))
    return np.asarray(oxygen), np.asarray(nitrogen)


def absorption_db_per_m(
    frequency_hz: Numbers,
    temperature_c: Numbers = 20.0,
    relative_humidity_pct: Numbers = 50.0,
    pressure_kpa: Numbers = STANDARD_PRESSURE_KPA,
) -> Floats:
    """Return how much a pure tone fades on one metre of air, spreading not counted [dB/m].

    Parameters
    ----------
    frequency_hz : float or array
        Frequency of the tone [Hz]; the standard's table ends at 10 kHz, its formulas are meant for ultrasound too.
    temperature_c, relative_humidity_pct, pressure_kpa : float or arrays that broadcast
        Air temperature [degC], relative humidity [%], pressure [kPa].

    Raises
    ------
    ValueError
        As `sound_speed`, and if a frequency is below 0.

    References
    ----------
    ISO 9613-1:1993, formulas 3 to 5.  Measurements lie 16 to 30 % below it (B. D. Lawrence and J. A. Simmons, J.
    Acoust. Soc. Am. 71, 585-590, 1982).

    Examples
    --------
    >>> round(float(absorption_db_per_m(40000.0, 20.0, 50.0)), 4)
    1.3182
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    if not bool(np.all(f >= 0.0)):
        raise ValueError("frequency_hz must be 0 or above")
    oxygen, nitrogen = relaxation_frequencies(temperature_c, relative_humidity_pct, pressure_kpa)
    kelvin = np.asarray(temperature_c, dtype=np.float64) + ZERO_CELSIUS_K
    pressure = np.asarray(pressure_kpa, dtype=np.float64) / STANDARD_PRESSURE_KPA
    warmth = kelvin / _ISO_REFERENCE_K
    classical = 1.84e-11 / pressure * np.sqrt(warmth)
    relaxing = 0.01275 * np.exp(-2239.1 / kelvin) / (oxygen + f * f / oxygen)
    relaxing = relaxing + 0.1068 * np.exp(-3352.0 / kelvin) / (nitrogen + f * f / nitrogen)
    return np.asarray(8.686 * f * f * (classical + warmth**-2.5 * relaxing))


def wavelength_m(frequency_hz: Numbers, speed_m_s: Numbers) -> Floats:
    """Return the length of one wave [m].

    >>> round(float(wavelength_m(40000.0, 343.2)), 5)
    0.00858
    """
    return np.asarray(np.asarray(speed_m_s, dtype=np.float64) / frequency_hz)


def echo_range_m(echo_s: Numbers, speed_m_s: Numbers) -> Floats:
    """Return the distance that an echo's round trip stands for [m]; inf and nan pass through.

    >>> round(float(echo_range_m(0.005827506, 343.2)), 6)
    1.0
    """
    return np.asarray(np.asarray(echo_s, dtype=np.float64) * speed_m_s / 2.0)


def echo_time_s(range_m: Numbers, speed_m_s: Numbers) -> Floats:
    """Return the round-trip time of an echo [s]; the inverse of `echo_range_m`.

    >>> round(1e6 * float(echo_time_s(1.0, 343.2)), 2)
    5827.51
    """
    return np.asarray(2.0 * np.asarray(range_m, dtype=np.float64) / speed_m_s)
