"""Which of several meters of one kind another meter was used beside, where several engineers were out."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

Apart = Mapping[int, set[int]]


def worse_pairs(
    partners: Mapping[int, Mapping[int, float]], apart: Apart, gain_of: Callable[[int, int], float]
) -> list[tuple[int, int]]:  # fmt: skip
    """The pairs of sessions that are not of one crew, because one of them goes better with a rival of the other.

    ``partners``: who may be of one crew with whom; ``apart``: who surely is not; ``gain_of``: how much better two
    explain each other than each itself [log likelihood]. It is asked only where there are rivals.
    """
    pairs = sorted({(min(one, other), max(one, other)) for one, row in partners.items() for other in row})
    open_pairs = [(one, other) for one, other in pairs if other not in apart.get(one, set())]
    contested = [pair for pair in open_pairs if any(_rivals(pair, other, apart) for other in open_pairs)]
    gains = np.array([gain_of(one, other) for one, other in contested])
    taken: list[tuple[int, int]] = []
    worse: list[tuple[int, int]] = []
    for place in np.argsort(-gains, kind="stable"):
        pair = contested[int(place)]
        if any(_rivals(pair, other, apart) for other in taken):
            worse.append(pair)
        else:
            taken.append(pair)
    return worse


def _rivals(pair: tuple[int, int], other: tuple[int, int], apart: Apart) -> bool:
    """Whether two pairs share a session, and the two that they do not share are not of one crew."""
    shared = set(pair) & set(other)
    if len(shared) != 1:
        return False
    (one,), (two,) = set(pair) - shared, set(other) - shared
    return two in apart.get(one, set())
