"""The user's units on what people read: °C or °F, metres or feet."""

from __future__ import annotations

from dataclasses import dataclass

from emergence.angling.sums import wind_m_s

FOOT_M, INCH_CM, MPH_M_S, MILE_KM = 0.3048, 2.54, 0.44704, 1.609344


@dataclass(frozen=True)
class Units:
    """``temperature`` C or F, ``length`` m or ft."""

    temperature: str = "C"
    length: str = "m"

    @property
    def feet(self) -> bool:
        """Whether lengths are told in feet and inches."""
        return self.length == "ft"

    def degrees(self, celsius: float, *, tenths: bool = False) -> str:
        """Return ``18`` for a temperature; tenths of °C where asked for and needed."""
        if self.temperature == "F":
            return str(round(celsius * 1.8 + 32))
        return f"{celsius:.1f}".removesuffix(".0") if tenths else str(round(celsius))

    def temp(self, celsius: float, *, tenths: bool = False) -> str:
        """Return ``18 °C`` or ``64 °F``."""
        return f"{self.degrees(celsius, tenths=tenths)} °{self.temperature}"

    def long(self, metres: float) -> str:
        """Return ``2.7`` or ``9``: metres to a tenth below ten, feet whole from one and a half on."""
        value, whole = (metres / FOOT_M, 1.5) if self.feet else (metres, 10)
        return f"{value:.0f}" if value >= whole else f"{value:.1f}".removesuffix(".0")

    def depth(self, metres: float) -> str:
        """Return ``2.7 m`` or ``9 ft``."""
        return f"{self.long(metres)} {self.length}"

    def reach(self, low: float, high: float) -> str:
        """Return ``0.6-0.9 m`` or ``2-3 ft``."""
        return f"{self.long(low)}-{self.depth(high)}"

    def small(self, low: float, high: float) -> str:
        """Return ``15-30 cm`` or ``6-12 in``."""
        size, unit = (INCH_CM / 100, "in") if self.feet else (0.01, "cm")
        return f"{low / size:.0f}-{high / size:.0f} {unit}"

    @property
    def rate(self) -> str:
        """The unit of sink rates."""
        return "in/s" if self.feet else "cm/s"

    def sink(self, cm_s: float) -> str:
        """Return ``4 cm/s`` or ``1.6 in/s``."""
        return f"{cm_s / INCH_CM if self.feet else cm_s:.2g} {self.rate}"

    def far(self, km: float) -> str:
        """Return ``12 km`` or ``7 mi``."""
        return f"{km / MILE_KM:.0f} mi" if self.feet else f"{km:.0f} km"

    def wind(self, knots: float) -> str:
        """Return ``10 kt (5 m/s)`` or ``10 kt (12 mph)``."""
        rate = wind_m_s(knots)
        return f"{knots:.0f} kt ({f'{rate / MPH_M_S:.0f} mph' if self.feet else f'{rate:.0f} m/s'})"
