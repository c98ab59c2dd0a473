"""On the water: counts, slants, hours, advice and cautions of a day, from numbers of the forecast. Pure."""
