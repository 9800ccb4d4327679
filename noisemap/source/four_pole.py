"""Transfer matrices of exhaust parts: hot gas, mean flow, plane waves.

Variables are the pressure and the mass velocity p and V of a wave, convected, so that
stagnation pressure and mass flow are continuous where the section changes. A matrix has
the shape (frequencies, 2, 2) and gives the upstream pair from the downstream one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_between, require_positive
from noisemap.errors import OutOfDomainError

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

NEPER_DB = 8.685889638065037
LARGEST_GROWTH = 30.0
"""Natural logarithm of a mode's growth, above which rounding takes over 0.01 dB [1]."""


@dataclass(frozen=True)
class HotGas:
    """Gas in the exhaust and how fast it flows through the pipe."""

    sound_speed: float  # [m/s]
    density: float  # [kg/m3]
    mass_flow: float  # [kg/s]

    def mach(self, area_m2: float) -> float:
        """Mach number of the mean flow in a section [1]."""
        return self.mass_flow / (self.density * self.sound_speed * area_m2)

    def impedance(self, area_m2: float) -> float:
        """Characteristic impedance of a section for mass velocity [1/(m s)]."""
        return self.sound_speed / area_m2


def pipe_matrix(
    frequency: npt.ArrayLike, length_m: float, area_m2: float, gas: HotGas,
    attenuation_db_m: npt.ArrayLike = 0.0,
) -> ComplexArray:  # fmt: skip
    """Transfer matrix of a pipe with mean flow, lined or hard.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz] Above 0.
    length_m : float
        Length. [m] 0 and above.
    area_m2 : float
        Cross-section. [m2] Above 0.
    gas : HotGas
        Speed of sound, density, mass flow.
    attenuation_db_m : array_like
        Attenuation of the lining for each frequency. [dB/m]

    Returns
    -------
    ndarray
        Matrices. [1]

    Raises
    ------
    OutOfDomainError
        For a negative length or a flow at or above the speed of sound.

    References
    ----------
    munjal-1987 : pipe with mean flow, kc = k / (1 - M^2)

    Examples
    --------
    >>> import numpy as np
    >>> still = HotGas(343.0, 1.2, 0.0)
    >>> matrix = pipe_matrix([200.0], 0.7, 0.01, still)
    >>> bool(np.isclose(np.linalg.det(matrix)[0], 1.0))
    True
    """
    f = np.atleast_1d(require_positive("frequency", frequency, "Hz"))
    require_between("length of a pipe", length_m, 0.0, 100.0, "m")
    mach = float(require_between("Mach number", gas.mach(area_m2), -0.95, 0.95, "1"))
    wave = 2.0 * np.pi * f / gas.sound_speed - 1j * np.asarray(attenuation_db_m) / NEPER_DB
    along = wave / (1.0 - mach**2) * length_m
    y = gas.impedance(area_m2)
    matrix = np.empty((len(f), 2, 2), dtype=np.complex128)
    matrix[:, 0, 0] = matrix[:, 1, 1] = np.cos(along)
    matrix[:, 0, 1] = 1j * y * np.sin(along)
    matrix[:, 1, 0] = 1j / y * np.sin(along)
    return np.asarray(np.exp(-1j * mach * along)[:, None, None] * matrix)


def area_change_matrix(
    frequency: npt.ArrayLike, upstream_m2: float, downstream_m2: float, gas: HotGas
) -> ComplexArray:
    """Transfer matrix of a sudden change of section with the flow's loss of pressure.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz]
    upstream_m2 : float
        Section before the change. [m2]
    downstream_m2 : float
        Section after it. [m2]
    gas : HotGas
        Speed of sound, density, mass flow.

    Returns
    -------
    ndarray
        Matrices. [1]

    References
    ----------
    munjal-1987 : loss factor (1 - S1/S2)^2 of a widening, (1 - S2/S1)/2 of a narrowing
    """
    f = np.atleast_1d(np.asarray(frequency, dtype=float))
    widening = downstream_m2 > upstream_m2
    ratio = upstream_m2 / downstream_m2
    loss = (1.0 - ratio) ** 2 if widening else 0.5 * (1.0 - 1.0 / ratio)
    narrow = min(upstream_m2, downstream_m2)
    matrix = np.tile(np.eye(2, dtype=np.complex128), (len(f), 1, 1))
    matrix[:, 0, 1] = loss * gas.mach(narrow) * gas.impedance(narrow)
    return matrix


def branch_matrix(impedance: npt.ArrayLike) -> ComplexArray:
    """Transfer matrix of a branch in parallel.

    Parameters
    ----------
    impedance : array_like
        Impedance of the branch for mass velocity, by frequency. [1]

    Returns
    -------
    ndarray
        Matrices. [1]

    References
    ----------
    munjal-1987 : shunt element

    Examples
    --------
    >>> branch_matrix([2.0])[0].real.tolist()
    [[1.0, 0.0], [0.5, 1.0]]
    """
    z = np.atleast_1d(np.asarray(impedance, dtype=np.complex128))
    matrix = np.tile(np.eye(2, dtype=np.complex128), (len(z), 1, 1))
    matrix[:, 1, 0] = 1.0 / z
    return matrix


def closed_cavity_impedance(
    frequency: npt.ArrayLike, length_m: float, area_m2: float, gas: HotGas
) -> ComplexArray:
    """Impedance of a still side cavity with a closed end.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz]
    length_m : float
        Length. [m] Above 0.
    area_m2 : float
        Cross-section. [m2]
    gas : HotGas
        Speed of sound.

    Returns
    -------
    ndarray
        Impedance for mass velocity. [1]

    References
    ----------
    munjal-1987 : -j Y cot(k l)

    Examples
    --------
    >>> z = closed_cavity_impedance([857.5], 0.1, 1.0, HotGas(343.0, 1.2, 0.0))
    >>> bool(abs(z[0]) < 1e-9)
    True
    """
    k = 2.0 * np.pi * np.atleast_1d(np.asarray(frequency, dtype=float)) / gas.sound_speed
    return np.asarray(-1j * gas.impedance(area_m2) / np.tan(k * length_m))


def resonator_impedance(
    frequency: npt.ArrayLike, neck_m2: float, neck_length_m: float, volume_m3: float, gas: HotGas
) -> ComplexArray:
    """Impedance of a side volume behind a neck.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz]
    neck_m2 : float
        Section of the neck. [m2]
    neck_length_m : float
        Length of the neck, end corrections included. [m]
    volume_m3 : float
        Volume. [m3]
    gas : HotGas
        Speed of sound.

    Returns
    -------
    ndarray
        Impedance for mass velocity. [1]

    References
    ----------
    munjal-1987 : Helmholtz resonator, resonance at c/(2 pi) sqrt(S/(l V))

    Examples
    --------
    >>> import numpy as np
    >>> f0 = 343.0 / (2 * np.pi) * np.sqrt(0.001 / (0.05 * 0.01))
    >>> z = resonator_impedance([f0], 0.001, 0.05, 0.01, HotGas(343.0, 1.2, 0.0))
    >>> bool(abs(z[0]) < 1e-8)
    True
    """
    omega = 2.0 * np.pi * np.atleast_1d(np.asarray(frequency, dtype=float))
    neck = omega * neck_length_m / neck_m2
    return np.asarray(1j * (neck - gas.sound_speed**2 / (omega * volume_m3)))


def hole_impedance(
    frequency: npt.ArrayLike, hole_m2: float, gas: HotGas, *, wall_m: float, resistance: float,
    end_radii: float,
) -> ComplexArray:  # fmt: skip
    """Impedance of a hole to the open.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz]
    hole_m2 : float
        Area of the hole. [m2] Above 0.
    gas : HotGas
        Speed of sound.
    wall_m : float
        Thickness of the wall. [m]
    resistance : float
        Resistance over rho c. [1]
    end_radii : float
        End corrections of both sides over the radius. [1]

    Returns
    -------
    ndarray
        Impedance for mass velocity. [1]

    References
    ----------
    exhaust-model : (c/S) [0.05 + j k (t + 1.6 a)]

    Examples
    --------
    >>> gas = HotGas(450.0, 0.7, 0.0)
    >>> z = hole_impedance([100.0], 2e-3, gas, wall_m=0.0015, resistance=0.05, end_radii=1.6)
    >>> round(float(z[0].real))
    11250
    """
    k = 2.0 * np.pi * np.atleast_1d(np.asarray(frequency, dtype=float)) / gas.sound_speed
    radius = np.sqrt(float(require_positive("hole", hole_m2, "m2")) / np.pi)
    inertia = k * (wall_m + end_radii * radius)
    return np.asarray(gas.impedance(hole_m2) * (resistance + 1j * inertia))


def perforate_impedance(
    frequency: npt.ArrayLike, gas: HotGas, *, porosity: float, hole_m: float, wall_m: float
) -> ComplexArray:
    """Impedance of a perforated wall without flow through it.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz]
    gas : HotGas
        Speed of sound.
    porosity : float
        Open share of the wall. [1] Above 0 to 1.
    hole_m : float
        Diameter of the holes. [m]
    wall_m : float
        Thickness of the wall. [m]

    Returns
    -------
    ndarray
        Impedance over rho c. [1]

    References
    ----------
    sullivan-1979 : (0.006 + j k (t + 0.75 d)) / sigma

    Examples
    --------
    >>> z = perforate_impedance(
    ...     [100.0], HotGas(450.0, 0.7, 0.0), porosity=0.1, hole_m=0.003, wall_m=0.001
    ... )
    >>> round(float(z[0].real), 3)
    0.06
    """
    k = 2.0 * np.pi * np.atleast_1d(np.asarray(frequency, dtype=float)) / gas.sound_speed
    require_between("porosity", porosity, 1e-4, 1.0, "1")
    return np.asarray((0.006 + 1j * k * (wall_m + 0.75 * hole_m)) / porosity)


def perforated_tube_matrix(
    frequency: npt.ArrayLike, length_m: float, tube_m: float, shell_m: float, gas: HotGas, *,
    porosity: float, hole_m: float, wall_m: float,
) -> ComplexArray:  # fmt: skip
    """Transfer matrix of a perforated tube inside a closed shell.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz]
    length_m : float
        Length. [m]
    tube_m : float
        Diameter of the tube. [m]
    shell_m : float
        Diameter of the shell. [m]
    gas : HotGas
        Gas and flow; the gas in the shell rests.
    porosity : float
        Open share of the tube's wall. [1]
    hole_m : float
        Diameter of the holes. [m]
    wall_m : float
        Thickness of the tube's wall. [m]

    Returns
    -------
    ndarray
        Matrices. [1]

    Raises
    ------
    OutOfDomainError
        If the wall is so open over such a length that the answer would be lost in rounding.

    References
    ----------
    sullivan-1979 : two coupled ducts, the outer one closed at both ends
    """
    f = np.atleast_1d(require_positive("frequency", frequency, "Hz"))
    area = 0.25 * np.pi * tube_m**2
    mach, y = gas.mach(area), gas.impedance(area)
    walls = perforate_impedance(f, gas, porosity=porosity, hole_m=hole_m, wall_m=wall_m)
    k = 2.0 * np.pi * f / gas.sound_speed
    inner, outer = 4.0 / tube_m / walls, 4.0 * tube_m / (shell_m**2 - tube_m**2) / walls
    convected = np.zeros((len(f), 2, 4), dtype=np.complex128)
    convected[:, 0, 0], convected[:, 0, 2], convected[:, 1, 1] = 1j * k + inner, -inner, 1j * k
    slope = np.zeros((len(f), 4, 4), dtype=np.complex128)
    slope[:, :2] = -np.linalg.inv(np.array([[mach, 1.0], [1.0, mach]])) @ convected
    slope[:, 2, 3] = -1j * k
    slope[:, 3, 0], slope[:, 3, 2] = outer, -1j * k - outer
    root, mode = np.linalg.eig(slope)
    growth = float(np.abs(root.real).max()) * length_m
    if growth > LARGEST_GROWTH:
        raise OutOfDomainError(
            f"perforated tube: {length_m:g} m with a wall of {porosity:g} open share is not "
            f"allowed (allowed: shorter than {length_m * LARGEST_GROWTH / growth:.2g} m); so open "
            "a tube is a plain chamber"
        )
    back = (mode * np.exp(-root * length_m)[:, None, :]) @ np.linalg.inv(mode)
    # The shell is closed downstream: only its pressure is free, and it takes the value
    # that makes the velocity at the shell's upstream end vanish as well.
    free = -back[:, 3, :2] / back[:, 3, 2:3]
    plain = back[:, :2, :2] + back[:, :2, 2:3] * free[:, None, :]
    convect = np.array([[1.0, mach], [mach, 1.0]])
    matrices = convect @ plain @ np.linalg.inv(convect)
    scale = np.array([[1.0, y], [1.0 / y, 1.0]])
    return np.asarray(matrices * scale)


def chain(*matrices: ComplexArray) -> ComplexArray:
    """Product of the matrices of parts that follow each other downstream.

    Parameters
    ----------
    *matrices : ndarray
        Matrices, the most upstream part first. [1]

    Returns
    -------
    ndarray
        Matrices of the whole. [1]

    References
    ----------
    munjal-1987 : parts in series
    """
    product = matrices[0]
    for matrix in matrices[1:]:
        product = product @ matrix
    return product


def transmission_loss(matrix: ComplexArray, area_m2: float, gas: HotGas) -> FloatArray:
    """Transmission loss between two pipes of equal section without flow.

    Parameters
    ----------
    matrix : ndarray
        Matrices of the parts between them. [1]
    area_m2 : float
        Section of both pipes. [m2]
    gas : HotGas
        Speed of sound.

    Returns
    -------
    ndarray
        Transmission loss. [dB]

    References
    ----------
    munjal-1987 : 20 lg |A + B/Y + C Y + D| / 2

    Examples
    --------
    >>> still = HotGas(343.0, 1.2, 0.0)
    >>> matrix = pipe_matrix([50.0], 0.6, 0.09, still)
    >>> round(float(transmission_loss(matrix, 0.01, still)[0]), 2)
    8.05
    """
    y = gas.impedance(area_m2)
    total = matrix[:, 0, 0] + matrix[:, 0, 1] / y + matrix[:, 1, 0] * y + matrix[:, 1, 1]
    return np.asarray(20.0 * np.log10(np.abs(total) / 2.0))


def convected_load(radiation: ComplexArray, area_m2: float, gas: HotGas) -> ComplexArray:
    """Convected pressure and mass velocity at an outlet for a unit of mass velocity.

    Parameters
    ----------
    radiation : ndarray
        Impedance of the outlet for mass velocity. [1]
    area_m2 : float
        Section of the outlet. [m2]
    gas : HotGas
        Gas and flow.

    Returns
    -------
    ndarray
        Pairs, shape (frequencies, 2). [1]

    References
    ----------
    munjal-1987 : p + M Y V and V + M p / Y

    Examples
    --------
    >>> import numpy as np
    >>> convected_load(np.array([3.0 + 0j]), 1.0, HotGas(343.0, 1.2, 0.0))[0].real.tolist()
    [3.0, 1.0]
    """
    mach, y = gas.mach(area_m2), gas.impedance(area_m2)
    return np.stack([radiation + mach * y, 1.0 + mach * radiation / y], axis=-1)


def outlet_transfer(
    matrix: ComplexArray, load: ComplexArray, source_admittance: npt.ArrayLike
) -> ComplexArray:
    """Mass velocity at the outlet for a unit of mass flow of the source.

    Parameters
    ----------
    matrix : ndarray
        Matrices between source and outlet. [1]
    load : ndarray
        Convected pressure and mass velocity at the outlet, see `convected_load`. [1]
    source_admittance : array_like
        Admittance of the source in parallel; 0 for a source of constant flow. [1]

    Returns
    -------
    ndarray
        Complex ratio. [1]

    References
    ----------
    munjal-1987 : source and load
    """
    at_source = np.einsum("fij,fj->fi", matrix, load)
    return np.asarray(1.0 / (at_source[:, 1] + np.asarray(source_admittance) * at_source[:, 0]))
