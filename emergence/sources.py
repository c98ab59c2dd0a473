"""Numbers that know where they come from."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Standing = Literal["published", "from memory", "common practice, no source", "our prior"]


class Quantity(BaseModel):
    """A number with unit, plausible range, source and standing.

    ``low`` and ``high`` bound the plausible range (about 90 % of our belief); ``source`` is a short citation or, for
    other standings, the reasoning; ``place`` is the table, page or section.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    value: float
    unit: str
    low: float | None = None
    high: float | None = None
    source: Annotated[str, Field(min_length=3)]
    place: str = ""
    standing: Standing

    @model_validator(mode="after")
    def _ordered(self) -> Quantity:
        low, high = self.low, self.high
        if low is not None and not low <= self.value:
            raise ValueError(f"low {low} must not exceed value {self.value}")
        if high is not None and not self.value <= high:
            raise ValueError(f"value {self.value} must not exceed high {high}")
        return self
