"""What every test may use."""

import datetime as dt

import pytest
from hypothesis import settings

settings.register_profile("emergence", deadline=None, derandomize=True, max_examples=40)
settings.load_profile("emergence")


@pytest.fixture
def today() -> dt.date:
    """Stand in for the clock: the day on which a test happens."""
    return dt.date(2024, 6, 1)
