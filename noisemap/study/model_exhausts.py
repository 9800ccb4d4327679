"""Tables of the study file on the heavy trucks' exhausts."""

from __future__ import annotations

from typing import Self

from pydantic import BaseModel, model_validator

from noisemap.exposure.after_treatment import share_by_model_year
from noisemap.states import ExhaustState
from noisemap.study.defaults import default
from noisemap.study.table import STRICT, Share


class ExhaustShares(BaseModel):
    """How the heavy trucks' exhausts are shared out."""

    model_config = STRICT
    after_treatment: Share = default("exhaust_shares", "after_treatment")
    muffled: Share = default("exhaust_shares", "muffled")
    worn: Share = default("exhaust_shares", "worn")
    straight: Share = default("exhaust_shares", "straight")

    @model_validator(mode="after")
    def _sum(self) -> Self:
        total = self.after_treatment + self.muffled + self.worn + self.straight
        if abs(total - 1.0) > 1e-6:
            raise ValueError(f"the four shares sum to {total:.3f}; they must sum to 1")
        return self

    def share(self, state: ExhaustState) -> float:
        """The share of one state."""
        return float(getattr(self, state))

    def parted(self, after_treatment: float) -> ExhaustShares:
        """The same with a part of the working exhausts behind after-treatment."""
        working = self.after_treatment + self.muffled
        return self.model_copy(
            update={
                "after_treatment": working * after_treatment,
                "muffled": working * (1.0 - after_treatment),
            }
        )


class ModelYears(BaseModel):
    """Shares of the heavy trucks by model year."""

    model_config = STRICT
    before_2007: Share = 0.0
    from_2007: Share = 0.0  # 2007 to 2009
    from_2010: Share = 0.0

    @model_validator(mode="after")
    def _sum(self) -> Self:
        total = self.before_2007 + self.from_2007 + self.from_2010
        if abs(total - 1.0) > 1e-6:
            raise ValueError(f"the shares sum to {total:.3f}; they must sum to 1")
        return self


class AfterTreatmentTable(BaseModel):
    """Share of the working exhausts with after-treatment: its ends, or the trucks' model years."""

    model_config = STRICT
    low: Share | None = None
    high: Share | None = None
    model_years: ModelYears | None = None

    @model_validator(mode="after")
    def _one_of(self) -> Self:
        if (self.low is None) != (self.high is None):
            raise ValueError("give low and high together")
        if (self.low is None) == (self.model_years is None):
            raise ValueError("give either low and high or model_years, one of the two")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"low {self.low:g} is above high {self.high:g}")
        return self

    @property
    def by_model_year(self) -> float | None:
        """The usual share of trucks of these model years; None where they are not given."""
        return None if self.model_years is None else share_by_model_year(self._years())[1]

    @property
    def ends(self) -> tuple[float, float]:
        """Low and high share."""
        if self.low is not None and self.high is not None:
            return self.low, self.high
        low, _, high = share_by_model_year(self._years())
        return low, high

    def _years(self) -> dict[str, float]:
        return {} if self.model_years is None else self.model_years.model_dump()
