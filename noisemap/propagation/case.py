"""One JSON object of `noisemap path` to a result object, or to an error that lists every fault.

Keys of a case (lengths in metres, profile distances from the source in plan):

=================  ==================================================================
x, ground          profile: rising distances from 0, and ground heights there
hs, hr             heights of source and receiver above local ground
G                  [[from, to, factor], ...] covering 0..dp without gap or overlap
objects            {"kind": "screen", "x", "h"} or {"kind": "block", "x1", "x2", "h"}
lateral_corners    [[distance along the line, distance to the left], ...]
foliage_m          length of the curved path inside dense foliage
industry_m         length of the curved path through an industrial site
housing_m          length of the curved path through housing times the built share
T, RH, p           air: 10 degC, 70 %, 101.325 kPa
C0                 constant of the meteorological correction: 0 dB
LW                 eight octave-band sound power levels, 63 Hz to 8 kHz
reflectors         surfaces that reflect: [{"from": [along, left], "to": [along, left], "h",
                   "rho", and x, ground, G, objects, foliage_m, industry_m, housing_m of the
                   path to the surface and on to the receiver, unfolded}, ...]
clearance_m        terrain that rises above the sight line by no more is no edge: 0 m
screening_reading  "literal" (default) or "positive"
=================  ==================================================================
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.errors import BadDataError, OutOfDomainError
from noisemap.levels import a_weighted
from noisemap.propagation.attenuation import Attenuation, Reflection, Side, attenuation
from noisemap.propagation.case_reader import CaseReader
from noisemap.propagation.path_flags import path_flags
from noisemap.propagation.screening import TopPath

FloatArray = npt.NDArray[np.float64]


def path_results(content: Any) -> list[dict[str, Any]]:
    """Results of one case or of a list of cases, in their order.

    Parameters
    ----------
    content : object
        A case or a list of cases as read from JSON.

    Returns
    -------
    list of dict
        One result or `{"error": ...}` for each case.

    Raises
    ------
    BadDataError
        If there is no case at all.

    References
    ----------
    iso9613-2 : 6 to 8 and annex A
    """
    cases = content if isinstance(content, list) else [content]
    if not cases:
        raise BadDataError("the list of paths is empty; give one object for each path")
    return [path_result(case, f"path {number}") for number, case in enumerate(cases, start=1)]


def path_result(case: Any, where: str = "path 1") -> dict[str, Any]:
    """Result of one case, or `{"error": ...}` with all its faults, one a line.

    Parameters
    ----------
    case : object
        A case as read from JSON.
    where : str
        How to name the case in messages.

    Returns
    -------
    dict
        d, dp [m]; Adiv, Cmet [dB]; Aatm, Agr, Dz, Abar, Amisc, A [dB] in the eight
        bands; LA [dB] if LW was given; top, left, right, reflected if reflectors
        were given, and flags if the method's accuracy does not cover the path.

    References
    ----------
    iso9613-2 : 6 to 8 and annex A
    """
    reader = CaseReader(where)
    path = reader.path(case)
    if path is None:
        return {"error": "\n".join(str(problem) for problem in reader.problems)}
    try:
        answer = attenuation(path)
    except OutOfDomainError as error:
        return {"error": f"{where}: {error}"}
    result = _as_json(answer, reader.power)
    flags = path_flags(path)
    return {**result, "flags": flags} if flags else result


def _as_json(answer: Attenuation, power: FloatArray | None) -> dict[str, Any]:
    result: dict[str, Any] = {
        "d": answer.d,
        "dp": answer.dp,
        "Adiv": answer.adiv,
        "Aatm": answer.aatm.tolist(),
        "Agr": answer.agr.tolist(),
        "Dz": answer.dz.tolist(),
        "Abar": answer.abar.tolist(),
        "Amisc": answer.amisc.tolist(),
        "A": answer.a.tolist(),
        "Cmet": answer.cmet,
    }
    if power is not None:
        level = float(a_weighted(power - answer.a))
        result["LA"] = level if math.isfinite(level) else None
    result["top"] = _top_as_json(answer.top)
    result["left"] = _side_as_json(answer.left)
    result["right"] = _side_as_json(answer.right)
    if answer.reflections:
        result["reflected"] = [_reflection_as_json(found) for found in answer.reflections]
    return result


def _top_as_json(top: TopPath) -> dict[str, Any]:
    edges = [list(edge) for edge in zip(top.edge_x.tolist(), top.edge_z.tolist(), strict=True)]
    z = top.z if top.n else None
    return {"n": top.n, "z": z, "Kmet": top.kmet, "e": top.e, "edges": edges}


def _side_as_json(side: Side | None) -> dict[str, Any] | None:
    return None if side is None else {"z": side.z, "Dz": side.dz.tolist()}


def _reflection_as_json(found: Reflection) -> dict[str, Any]:
    levels = [value if math.isfinite(value) else None for value in found.a.tolist()]
    return {
        "d": found.d,
        "at": found.at,
        "z": found.z,
        "on_surface": found.on_surface,
        "counted": found.counted,
        "A": levels,
    }
