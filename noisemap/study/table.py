"""What every table of the study file has in common."""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict, Field

STRICT = ConfigDict(
    extra="forbid", strict=True, frozen=True, allow_inf_nan=False, validate_default=True
)
"""Unknown keys are errors, numbers are finite."""

Share = Annotated[float, Field(ge=0.0, le=1.0)]
