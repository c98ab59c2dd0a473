"""What a taxon file may say: the pydantic models behind the catalogue's TOML."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from emergence.records import STAGES
from emergence.sources import Quantity

Group = Literal["damselfly", "dragonfly", "midge", "phantom midge", "mayfly", "caddis", "water bug", "other"]
Variable = Literal["water_mean", "water_change", "air_max", "air_dusk", "day_length"]
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
    the first day whose seven-day mean water reaches ``threshold``; ``hatch`` from the first day whose mean water
    reaches it (eggs that wait for warmth); ``day_length`` from the first day after midwinter that is ``threshold`` [h]
    long. Later broods count from the brood before, see ``Brood``.
    """

    rule: Literal["date", "ice_off", "warm_week", "hatch", "day_length"]
    month_day: Annotated[str, Field(pattern=r"^\d\d-\d\d$")] = "01-01"
    threshold: Quantity | None = None

    @model_validator(mode="after")
    def _complete(self) -> Start:
        if (self.rule in ("warm_week", "hatch", "day_length")) != (self.threshold is not None):
            raise ValueError("threshold belongs to the rules warm_week, hatch and day_length, and these need it")
        _units(self, UNITS["hours" if self.rule == "day_length" else "temperature"], "threshold")
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

    The brood is flown only where its median insect is ready while days are at least ``shortest_day`` [h] long; the
    others winter. ``times`` says how many generations of this kind may follow one another.
    """

    requirement: Requirement
    shortest_day: Quantity
    times: Annotated[int, Field(ge=1, le=12)] = 1

    @model_validator(mode="after")
    def _checked(self) -> Brood:
        _units(self, UNITS["hours"], "shortest_day")
        return self


class Gate(_Part):
    """A daily condition without which ready insects wait: 0 at ``shut_at``, 1 at ``open_at``, straight between.

    ``shut_at`` equal to ``open_at`` is a step (open from that value on); ``shut_at`` above ``open_at`` opens as the
    variable falls. Variables: daily mean water [°C], its change from the day before [°C], daily maximum air [°C], air
    at dusk [°C], day length [h].
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
    """The depths in which the young live [m]; what ``feels`` the air lives ashore, and depths mean nothing."""

    shallow: Quantity
    deep: Quantity
    feels: Literal["water", "air"] = "water"

    @model_validator(mode="after")
    def _checked(self) -> DepthRange:
        _units(self, UNITS["depth"], "shallow", "deep")
        if self.deep.value < self.shallow.value:
            raise ValueError("deep must not lie above shallow")
        return self


class YearClass(_Part):
    """How nymphs of several summers share a lake; see ``yearclass`` for the model.

    ``last_winter`` is where those that emerge in the coming season spend the winter before: ``final`` (in the final
    instar: a tight spring emergence), ``before_final`` (one or more instars short of it: wide, in summer) or ``egg``.
    ``eggs_wait`` tells that eggs hatch only in the next spring. Heat above the growth threshold from egg to the last
    three instars ``critical`` and to the full-grown nymph ``grown`` [°C·day]; ``dispersion`` [1] the coefficient of
    variation between nymphs; ``shortest_day`` [h] ends growth in autumn; ``survival`` [1] a year; ``density`` [1] the
    elasticity of recruits on emerged adults; ``carry`` [1] the share of the winter's differences left at emergence;
    ``ln_sd`` [1] of numbers for reasons not modelled.
    """

    last_winter: Literal["final", "before_final", "egg"]
    eggs_wait: bool = False
    critical: Quantity | None = None
    grown: Quantity | None = None
    dispersion: Quantity | None = None
    shortest_day: Quantity
    survival: Quantity
    density: Quantity
    carry: Quantity | None = None
    ln_sd: Quantity

    @model_validator(mode="after")
    def _checked(self) -> YearClass:
        _units(self, UNITS["heat"], "critical", "grown")
        _units(self, UNITS["ratio"], "dispersion", "survival", "density", "carry", "ln_sd")
        _units(self, UNITS["hours"], "shortest_day")
        nymphs = (self.critical, self.grown, self.dispersion, self.carry)
        if sum(q is not None for q in nymphs) != (0 if self.last_winter == "egg" else 4):
            raise ValueError("critical, grown, dispersion and carry: all four for nymphs that winter, none for eggs")
        if self.critical is not None and self.grown is not None and not 0 < self.critical.value < self.grown.value:
            raise ValueError("grown must lie above critical, and critical above 0")
        if not (0 < self.survival.value <= 1 and 0 <= self.density.value < 1):
            raise ValueError("survival must lie in 0..1 (not 0), density in 0..1 (not 1)")
        if self.dispersion is not None and self.dispersion.value <= 0:
            raise ValueError("dispersion must be positive")
        return self


class Adult(_Part):
    """The insect after the water.

    ``flies_after`` [h] until it can fly, ``maturation`` [day] until it breeds, ``life`` [day] its mean life from then
    on; a day after midsummer whose minimum falls to ``hard_frost`` [°C] ends whoever is left. ``egg`` [day] from laying
    to the young of the same season; absent where eggs winter, or where it is not known.
    """

    flies_after: Quantity
    maturation: Quantity
    life: Quantity
    hard_frost: Quantity
    egg: Quantity | None = None

    @model_validator(mode="after")
    def _checked(self) -> Adult:
        _units(self, UNITS["hours"], "flies_after")
        _units(self, UNITS["days"], "maturation", "life", "egg")
        _units(self, UNITS["temperature"], "hard_frost")
        if self.life.value <= 0:
            raise ValueError("life must be positive")
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
    year_class: YearClass | None = None
    adult: Adult | None = None
    gates: tuple[Gate, ...] = ()
    depth: DepthRange
    habitat: Habitat

    @property
    def later_broods(self) -> tuple[Brood, ...]:
        """Return the broods after the first, each as often as it may fly."""
        return tuple(brood for brood in self.broods for _ in range(brood.times))

    @property
    def requirements(self) -> tuple[Requirement, ...]:
        """Return the requirement of every brood, the first one first."""
        return (self.growth.requirement, *(brood.requirement for brood in self.later_broods))

    @model_validator(mode="after")
    def _stages(self) -> Taxon:
        for word, stage in self.stage_words.items():
            if stage not in STAGES:
                raise ValueError(f"stage_words.{word}: stage must be one of {', '.join(STAGES)}")
        return self
