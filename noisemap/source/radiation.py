"""What leaves the outlet: order lines, sound power, bands, pressure over time."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_between
from noisemap.data_tables import band_row, toml_table
from noisemap.errors import OutOfDomainError
from noisemap.levels import from_energy

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

THIRDS_HZ: FloatArray = 1000.0 * np.power(10.0, 0.1 * np.arange(-16.0, 11.0))
"""Exact mid-bands of the thirds of an octave from 25 Hz to 10 kHz [Hz]."""

NOMINAL_THIRDS: tuple[str, ...] = (
    "25", "31.5", "40", "50", "63", "80", "100", "125", "160", "200", "250", "315", "400", "500",
    "630", "800", "1000", "1250", "1600", "2000", "2500", "3150", "4000", "5000", "6300", "8000",
    "10000",
)  # fmt: skip
"""Nominal names of the thirds."""

FIRST_OCTAVE_THIRD = 3
"""Place of 50 Hz, the lowest third of the 63 Hz octave."""

REFERENCE_W = 1e-12
REFERENCE_PA = 2e-5


class Lines(NamedTuple):
    """Order lines of a periodic volume flow at the outlet."""

    frequency: FloatArray  # multiples of the cycle frequency, without zero [Hz]
    volume_flow: ComplexArray  # complex amplitude, root mean square [m3/s]


def reflection_magnitude(ka: npt.ArrayLike) -> FloatArray:
    """Magnitude of the reflection at an unflanged open end.

    Parameters
    ----------
    ka : array_like
        Wave number times radius. [1] 0 and above; fitted up to 3.8, beyond it falls to 0.

    Returns
    -------
    ndarray
        Magnitude. [1]

    References
    ----------
    levine-schwinger-1948 : rational fit of the exact integrals

    Examples
    --------
    >>> round(float(reflection_magnitude(1.0)), 5)
    0.69436
    """
    z2 = np.square(np.asarray(ka, dtype=float))
    return np.asarray((1.0 + 0.8 * z2) / (1.0 + 1.3 * z2 + 0.266 * z2**2 + 0.0263 * z2**3))


def end_correction(ka: npt.ArrayLike) -> FloatArray:
    """Length correction of an unflanged open end over its radius.

    Parameters
    ----------
    ka : array_like
        Wave number times radius. [1] 0 and above.

    Returns
    -------
    ndarray
        Correction over radius. [1]

    References
    ----------
    levine-schwinger-1948 : rational fit of the exact integrals

    Examples
    --------
    >>> round(float(end_correction(0.5)), 5)
    0.58804
    """
    z2 = np.square(np.asarray(ka, dtype=float))
    down = 1.0 + 0.238 * z2 - 0.0153 * z2**2 + 0.0015 * z2**3
    return np.asarray(0.6133 * (1.0 + 0.0599 * z2) / down)


def radiation_impedance(ka: npt.ArrayLike) -> ComplexArray:
    """Impedance of an unflanged open end over the air's characteristic impedance.

    Parameters
    ----------
    ka : array_like
        Wave number times radius, with the ambient speed of sound. [1]

    Returns
    -------
    ndarray
        Complex impedance over rho c. [1]

    References
    ----------
    levine-schwinger-1948 : (1 + R) / (1 - R), R = -|R| exp(-2 j k l)

    Examples
    --------
    >>> import numpy as np
    >>> value = complex(radiation_impedance(0.01))
    >>> round(value.real / 0.01**2, 3), round(value.imag / 0.01, 3)
    (0.25, 0.613)
    """
    z = np.asarray(ka, dtype=float)
    reflected = -reflection_magnitude(z) * np.exp(-2j * z * end_correction(z))
    return np.asarray((1.0 + reflected) / (1.0 - reflected))


def order_lines(outlet_velocity: npt.ArrayLike, area_m2: float, cycle_s: float) -> Lines:
    """Order lines of the volume flow at the outlet.

    Parameters
    ----------
    outlet_velocity : array_like
        Velocity over one cycle in equal steps. [m/s]
    area_m2 : float
        Cross-section of the outlet. [m2]
    cycle_s : float
        Duration of the cycle. [s]

    Returns
    -------
    Lines
        All lines below the upper edge of the 10 kHz third.

    References
    ----------
    exhaust-model : frequencies are multiples of rpm / 120

    Examples
    --------
    >>> import numpy as np
    >>> lines = order_lines(np.sin(2 * np.pi * np.arange(64) / 64), 2.0, 0.1)
    >>> round(float(lines.frequency[0]), 6), round(float(abs(lines.volume_flow[0])), 4)
    (10.0, 1.4142)
    """
    velocity = np.asarray(outlet_velocity, dtype=float)
    spectrum = np.fft.rfft(velocity)[1:] / len(velocity) * np.sqrt(2.0) * area_m2
    frequency = np.arange(1, len(spectrum) + 1) / cycle_s
    keep = frequency < THIRDS_HZ[-1] * 10.0**0.05
    return Lines(frequency[keep], spectrum[keep])


def line_power(lines: Lines, diameter_m: float) -> FloatArray:
    """Sound power of each order line.

    Parameters
    ----------
    lines : Lines
        Order lines of the volume flow.
    diameter_m : float
        Diameter of the outlet. [m]

    Returns
    -------
    ndarray
        Power. [W]

    References
    ----------
    exhaust-model : W = U^2 (rho0 c0 / S) Re z(k0 a) with the ambient air
    levine-schwinger-1948 : Re z

    Examples
    --------
    >>> import numpy as np
    >>> tone = Lines(np.array([105.0]), np.array([0.1 + 0.0j]))
    >>> round(float(10 * np.log10(line_power(tone, 0.125)[0] / 1e-12)), 1)
    120.8
    """
    ambient = toml_table("noisemap.source", "exhaust_model.toml")["ambient"]
    sound = float(ambient["sound_speed_m_s"]["value"])
    impedance = float(ambient["density_kg_m3"]["value"]) * sound
    radius = 0.5 * diameter_m
    resistance = radiation_impedance(2.0 * np.pi * lines.frequency / sound * radius).real
    square = np.abs(lines.volume_flow) ** 2
    return np.asarray(square * impedance / (np.pi * radius**2) * resistance)


def third_octave_level(frequency: npt.ArrayLike, power_w: npt.ArrayLike) -> FloatArray:
    """Levels in thirds of an octave of lines of known power.

    Parameters
    ----------
    frequency : array_like
        Frequencies of the lines. [Hz]
    power_w : array_like
        Power of each line. [W]

    Returns
    -------
    ndarray
        Levels from 25 Hz to 10 kHz re 1 pW; minus infinity without a line. [dB]

    References
    ----------
    iec61260-1 : edges at the mid-band times 10^(+-0.05)

    Examples
    --------
    >>> levels = third_octave_level([105.0], [1.0])
    >>> round(float(levels[NOMINAL_THIRDS.index("100")]), 1)
    120.0
    """
    place = third_of(frequency)
    power = np.asarray(power_w, dtype=float)
    inside = (place >= 0) & (place < len(THIRDS_HZ))
    energy = np.bincount(place[inside], weights=power[inside], minlength=len(THIRDS_HZ))
    return from_energy(energy / REFERENCE_W)


def third_of(frequency: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Place of the third of an octave that holds a frequency.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz] Above 0.

    Returns
    -------
    ndarray
        Place, 0 for 25 Hz; outside 0 to 26 there is no band. [1]

    References
    ----------
    iec61260-1 : edges at the mid-band times 10^(+-0.05)

    Examples
    --------
    >>> [int(place) for place in third_of([25.0, 1000.0, 11300.0])]
    [0, 16, 27]
    """
    above = 10.0 * np.log10(np.asarray(frequency, dtype=float) / THIRDS_HZ[0])
    return np.asarray(np.floor(above + 0.5), dtype=np.int64)


def octave_level(third_level: npt.ArrayLike) -> FloatArray:
    """Levels in octaves from levels in thirds.

    Parameters
    ----------
    third_level : array_like
        Levels in thirds from 25 Hz to 10 kHz, bands last. [dB]

    Returns
    -------
    ndarray
        Levels in octaves from 63 Hz to 8 kHz. [dB]

    References
    ----------
    iec61260-1 : three thirds to the octave

    Examples
    --------
    >>> import numpy as np
    >>> round(float(octave_level(np.full(27, 90.0))[0]), 2)
    94.77
    """
    level = np.asarray(third_level, dtype=float)[..., FIRST_OCTAVE_THIRD:]
    energy = 10.0 ** (0.1 * level.reshape(*level.shape[:-1], 8, 3))
    return from_energy(energy.sum(axis=-1))


def a_weighting(frequency: npt.ArrayLike) -> FloatArray:
    """A-weighting at any frequency.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz] Above 0.

    Returns
    -------
    ndarray
        Weight. [dB]

    References
    ----------
    iec61672-1 : analytical expression, 0 dB at 1 kHz

    Examples
    --------
    >>> [round(float(w), 1) for w in a_weighting([63.0957, 1000.0, 7943.28])]
    [-26.2, 0.0, -1.1]
    """
    return np.asarray(_a_response(np.asarray(frequency, dtype=float)) - _a_response(1000.0))


def _a_response(frequency: npt.ArrayLike) -> FloatArray:
    f2 = np.square(np.asarray(frequency, dtype=float))
    poles = toml_table("noisemap.source", "exhaust_model.toml")["a_weighting"]["poles_hz"]["value"]
    low, second, third, high = (float(pole) ** 2 for pole in poles)
    shape = high * f2**2 / ((f2 + low) * np.sqrt((f2 + second) * (f2 + third)) * (f2 + high))
    return np.asarray(20.0 * np.log10(shape))


def c_weighting(frequency: npt.ArrayLike) -> FloatArray:
    """C-weighting at any frequency.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz] Above 0.

    Returns
    -------
    ndarray
        Weight. [dB]

    References
    ----------
    iec61672-1 : analytical expression, 0 dB at 1 kHz

    Examples
    --------
    >>> [round(float(w), 1) for w in c_weighting([31.6228, 1000.0, 7943.28])]
    [-3.0, 0.0, -3.0]
    """
    return np.asarray(_c_response(np.asarray(frequency, dtype=float)) - _c_response(1000.0))


def _c_response(frequency: npt.ArrayLike) -> FloatArray:
    f2 = np.square(np.asarray(frequency, dtype=float))
    poles = toml_table("noisemap.source", "exhaust_model.toml")["a_weighting"]["poles_hz"]["value"]
    low, high = float(poles[0]) ** 2, float(poles[-1]) ** 2
    return np.asarray(20.0 * np.log10(high * f2 / ((f2 + low) * (f2 + high))))


def pressure_cycle(
    lines: Lines, diameter_m: float, samples: int, distance_m: float = 15.0
) -> FloatArray:
    """Sound pressure over one cycle at a distance over hard ground.

    Parameters
    ----------
    lines : Lines
        Order lines of the volume flow.
    diameter_m : float
        Diameter of the outlet. [m]
    samples : int
        Number of samples over the cycle. [1] Above twice the number of lines.
    distance_m : float
        Distance. [m] Above 0.

    Returns
    -------
    ndarray
        Pressure in equal steps; its mean square is that of the lines' power. [Pa]

    Raises
    ------
    OutOfDomainError
        If the samples cannot hold the lines.

    References
    ----------
    exhaust-model : amplitude from the power, phase that of the flow plus 90 degrees
    moving-point-source : Lp = LW - 10 lg(2 pi r^2)
    """
    if samples <= 2 * len(lines.frequency):
        raise OutOfDomainError(
            f"pressure over a cycle: {samples} samples are not allowed "
            f"(allowed: above {2 * len(lines.frequency)}); take more samples"
        )
    require_between("distance", distance_m, 0.1, 1e5, "m")
    reference = REFERENCE_PA**2 / REFERENCE_W
    power = line_power(lines, diameter_m)
    size = np.sqrt(power * reference / (2.0 * np.pi * distance_m**2))
    phase = lines.volume_flow / np.maximum(np.abs(lines.volume_flow), 1e-300)
    spectrum = np.zeros(samples // 2 + 1, dtype=np.complex128)
    spectrum[1 : len(size) + 1] = 1j * phase * size / np.sqrt(2.0) * samples
    return np.asarray(np.fft.irfft(spectrum, samples))


def directivity(
    band_hz: Literal["31", "63", "125", "250", "500", "1000", "2000", "4000", "8000"],
    angle_deg: float,
) -> float:
    """Level in a direction off the axis of a large stack minus that of a plain source.

    An upper bound for a truck's pipe, which is small against the wavelength below
    about 500 Hz and radiates evenly there. No level of the table contains it.

    Parameters
    ----------
    band_hz : str
        Octave band by its nominal name.
    angle_deg : float
        Angle off the axis of the outlet. [deg] 0 to 180; beyond 135 as at 135.

    Returns
    -------
    float
        Difference, linear in the angle between the printed ones. [dB]

    Raises
    ------
    OutOfDomainError
        If the angle or the band is outside the table.

    References
    ----------
    ufc-3-450-01 : table of the directivity of a large exhaust stack

    Examples
    --------
    >>> directivity("1000", 90.0), directivity("1000", 180.0)
    (-10.0, -13.0)
    """
    angle = float(require_between("angle off the outlet's axis", angle_deg, 0.0, 180.0, "deg"))
    columns = ("0", "45", "60", "90", "135")
    try:
        row = band_row("noisemap.source", "directivity.csv", band_hz, columns)
    except KeyError as error:
        raise OutOfDomainError(f"directivity: band {band_hz!r}: {error.args[0]}") from None
    return float(np.interp(angle, [float(column) for column in columns], row))
