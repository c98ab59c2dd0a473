"""What a taxon file may say: the pydantic models behind the catalogue's TOML."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from emergence.records import STAGES
from emergence.sources import Quantity

Group = Literal["damselfly", "dragonfly", "midge", "phantom midge", "mayfly", "caddis", "water bug", "other"]
Variable = Literal["water_mean", "air_max", "air_dusk", "day_length"]
Slug = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")]

UNITS = {
    "temperature": "°C",
    "heat": "°C·day",
    "hours": "h",
    "ratio": "1",
    "days": "day",
    "depth": "m",
    "area": "ha",
    "degrees": "°",
}


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _units(part: BaseModel, unit: str, *names: str) -> None:
    for name in names:
        quantity = getattr(part, name)
        if quantity is not None and quantity.unit != unit:
            raise ValueError(f"{name}: unit must be {unit!r}, not {quantity.unit!r}")


class Start(_Part):
    """The biofix: from when degree-days count.

    ``date`` counts from ``month_day`` (northern calendar, half a year later in the south); ``ice_off`` from the first
    open day after the last ice, not before ``month_day`` (which also serves lakes that stay open); ``warm_week`` from
    the first day whose seven-day mean water reaches ``threshold``.
    """

    rule: Literal["date", "ice_off", "warm_week"]
    month_day: Annotated[str, Field(pattern=r"^\d\d-\d\d$")] = "01-01"
    threshold: Quantity | None = None

    @model_validator(mode="after")
    def _complete(self) -> Start:
        if (self.rule == "warm_week") != (self.threshold is not None):
            raise ValueError("threshold belongs to the rule warm_week, and warm_week needs it")
        _units(self, UNITS["temperature"], "threshold")
        return self


class Requirement(_Part):
    """Degree-days from biofix to the median insect's emergence, and how insects and lakes differ.

    ``median`` [°C·day]; ``spread`` [°C·day], the standard deviation between the insects of one lake;
    ``ln_sd_early`` and ``ln_sd_late`` [1], the standard deviations of the natural logarithm of the lake's own median
    on the early and the late side.
    """

    median: Quantity
    spread: Quantity
    ln_sd_early: Quantity
    ln_sd_late: Quantity

    @model_validator(mode="after")
    def _checked(self) -> Requirement:
        _units(self, UNITS["heat"], "median", "spread")
        _units(self, UNITS["ratio"], "ln_sd_early", "ln_sd_late")
        if self.median.value < 0 or self.spread.value <= 0:
            raise ValueError("median must not be negative and spread must be positive")
        if not (0 <= self.ln_sd_early.value <= 1.5 and 0 <= self.ln_sd_late.value <= 1.5):
            raise ValueError("ln_sd_early and ln_sd_late must lie between 0 and 1.5")
        return self


class Growth(_Part):
    """Development: threshold, cut-off, requirement of the first brood, lead of the migration."""

    lower: Quantity
    upper: Quantity | None = None
    requirement: Requirement
    move_before_dd: Quantity | None = None

    @model_validator(mode="after")
    def _checked(self) -> Growth:
        _units(self, UNITS["temperature"], "lower", "upper")
        _units(self, UNITS["heat"], "move_before_dd")
        if self.upper is not None and self.upper.value <= self.lower.value:
            raise ValueError("upper must lie above lower")
        if self.move_before_dd is not None and self.move_before_dd.value <= 0:
            raise ValueError("move_before_dd must be positive")
        return self


class Brood(_Part):
    """A further generation in the same year: its degree-days count from the last brood's median emergence.

    The brood is flown only where its median insect is ready while days are at least ``shortest_day`` [h] long.
    """

    requirement: Requirement
    shortest_day: Quantity

    @model_validator(mode="after")
    def _checked(self) -> Brood:
        _units(self, UNITS["hours"], "shortest_day")
        return self


class Gate(_Part):
    """A daily condition without which ready insects wait: 0 at ``shut_at``, 1 at ``open_at``, straight between.

    ``shut_at`` equal to ``open_at`` is a step (open from that value on); ``shut_at`` above ``open_at`` opens as the
    variable falls. Variables: daily mean water [°C], daily maximum air [°C], air at dusk [°C], day length [h].
    The range of ``open_at`` says how far members may differ. ``below_warmest`` [°C], for air maxima only: the gate
    nowhere asks for more than the warmest month's normal maximum less this, so that it can open in cool summers.
    """

    variable: Variable
    shut_at: Quantity
    open_at: Quantity
    below_warmest: Quantity | None = None

    @model_validator(mode="after")
    def _checked(self) -> Gate:
        unit = UNITS["hours"] if self.variable == "day_length" else UNITS["temperature"]
        _units(self, unit, "shut_at", "open_at")
        _units(self, UNITS["temperature"], "below_warmest")
        if self.below_warmest is not None and self.variable != "air_max":
            raise ValueError("below_warmest belongs to gates on air_max")
        return self


class Habitat(_Part):
    """Where the taxon can be expected at all; a lake outside any bound has none of it (residence "no").

    Bounds on mean depth [m], area [ha], elevation [m], absolute latitude [degrees]. A blank lake value never excludes.
    """

    min_depth_m: Quantity | None = None
    max_depth_m: Quantity | None = None
    min_area_ha: Quantity | None = None
    max_area_ha: Quantity | None = None
    max_elevation_m: Quantity | None = None
    min_latitude: Quantity | None = None
    max_latitude: Quantity | None = None
    needs_stems: bool = False
    text: str

    @model_validator(mode="after")
    def _checked(self) -> Habitat:
        _units(self, UNITS["depth"], "min_depth_m", "max_depth_m", "max_elevation_m")
        _units(self, UNITS["area"], "min_area_ha", "max_area_ha")
        _units(self, UNITS["degrees"], "min_latitude", "max_latitude")
        return self


class DepthRange(_Part):
    """The depths in which the young live [m]."""

    shallow: Quantity
    deep: Quantity

    @model_validator(mode="after")
    def _checked(self) -> DepthRange:
        _units(self, UNITS["depth"], "shallow", "deep")
        if self.deep.value < self.shallow.value:
            raise ValueError("deep must not lie above shallow")
        return self


class Taxon(_Part):
    """One taxon of the catalogue."""

    format: Literal[1]
    id: Slug
    name: Annotated[str, Field(min_length=2, max_length=60)]
    latin: str
    group: Group
    also_called: tuple[str, ...] = ()
    stage_words: dict[str, str] = Field(default_factory=dict)
    leaving: Literal["hatch", "flight"] = "hatch"
    life: str
    unknown: str
    start: Start
    growth: Growth
    broods: tuple[Brood, ...] = ()
    gates: tuple[Gate, ...] = ()
    depth: DepthRange
    habitat: Habitat

    @model_validator(mode="after")
    def _stages(self) -> Taxon:
        for word, stage in self.stage_words.items():
            if stage not in STAGES:
                raise ValueError(f"stage_words.{word}: stage must be one of {', '.join(STAGES)}")
        return self
