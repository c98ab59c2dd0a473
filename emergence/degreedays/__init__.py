"""Temperatures and thresholds to degree-days, sums and dates: arrays in, arrays out."""

from emergence.degreedays.accumulate import accumulate, fahrenheit_sum_to_celsius, first_reach
from emergence.degreedays.methods import (
    CUTOFFS,
    METHODS,
    Cutoff,
    double_sine,
    double_triangle,
    floored_average,
    simple_average,
    single_sine,
    single_triangle,
)
from emergence.degreedays.water import mean_water_degree_days, water_sums

__all__ = [
    "CUTOFFS",
    "METHODS",
    "Cutoff",
    "accumulate",
    "double_sine",
    "double_triangle",
    "fahrenheit_sum_to_celsius",
    "first_reach",
    "floored_average",
    "mean_water_degree_days",
    "simple_average",
    "single_sine",
    "single_triangle",
    "water_sums",
]
