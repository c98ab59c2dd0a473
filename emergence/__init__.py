"""When will each lake's insects move: air temperature to water, degree-days and dated chances."""

__version__ = "0.1.0"
