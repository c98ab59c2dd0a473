"""Random numbers keyed by what they are for, so that neighbours, order, blocks and threads change nothing."""

from __future__ import annotations

import hashlib

import numpy as np


def keyed_generator(seed: int, *purpose: str) -> np.random.Generator:
    """Return a counter-based generator for one purpose.

    Parameters
    ----------
    seed
        The run's seed.
    purpose
        Words that name the use, such as a lake id, ``"water"``, a season. The same words give the same stream,
        whatever else is drawn elsewhere.

    Notes
    -----
    Philox (Salmon et al. 2011, SC11, doi:10.1145/2063384.2063405) with a 128-bit key that is the BLAKE2b digest of
    seed and words; words are length-prefixed, so ("ab", "c") and ("a", "bc") differ.
    """
    digest = hashlib.blake2b(digest_size=16)
    digest.update(str(int(seed)).encode())
    for word in purpose:
        raw = word.encode()
        digest.update(f"|{len(raw)}:".encode())
        digest.update(raw)
    key = np.frombuffer(digest.digest(), dtype=np.uint64)
    return np.random.Generator(np.random.Philox(key=key))
