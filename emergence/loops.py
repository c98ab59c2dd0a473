"""What compiles a loop over cells and days where numba is installed.

Kernels are None without numba; the NumPy form beside each then does the work, slower.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

try:
    from numba import njit
    from numba.core.options import DefaultOptions

    HAVE_NUMBA = True
    UNCOUNTED: dict[str, Any] = {"_nrt": False, "forceinline": True} if hasattr(DefaultOptions, "_nrt") else {}
except ImportError:
    HAVE_NUMBA = False


def compiled(function: Callable[..., Any], *, lean: bool = False) -> Callable[..., Any]:
    """Return the function compiled and kept for the next run, or as it is without numba.

    Parameters
    ----------
    function
        Plain loops over arrays.
    lean
        For a function that makes no arrays of its own, so that nobody need count who refers to which: where such a
        function is called every few nanoseconds, counting took half of the time (measured). What it calls is compiled
        likewise. The compiler's switch for it is not among those it documents; without it the loop is slower.
    """
    if not HAVE_NUMBA:
        return function
    options: dict[str, Any] = {"nogil": True, "error_model": "numpy"} | (UNCOUNTED if lean else {})
    try:
        kept: Callable[..., Any] = njit(cache=True, **options)(function)
    except RuntimeError:  # nowhere to keep the compiled form
        kept = njit(**options)(function)
    return kept


def kernel(function: Callable[..., Any], *, lean: bool = False) -> Callable[..., Any] | None:
    """Return the function compiled, None without numba; ``lean`` as in `compiled`."""
    return compiled(function, lean=lean) if HAVE_NUMBA else None
