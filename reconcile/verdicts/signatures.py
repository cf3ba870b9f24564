"""Which condition of a supply explains three voltages: every signature that fits, the most likely first.

Each of the three pairs is taken as a share of the largest. A pair that should show the supply is spread half-normally
below 1, one that should show nothing half-normally above 0, a neutral under load exponentially, and a floating
conductor may show anything (uniform). The likelihood of a signature is the product over its pairs. Signatures with one
pattern have one likelihood: voltages cannot tell them apart, so all of them are named.

Source: circuit reasoning (common practice); spreads are policy of the rule pack.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from math import exp, log, pi, sqrt
from typing import Any, Final

from reconcile.pack import Pack

SAME: Final = 1e-9

Volts = tuple[float | None, float | None, float | None]
"""L-N, L-E, N-E [V]; None is a pair without a usable number."""

DANGER_ORDER: Final = (
    "line_earth_reversed",
    "not_dead",
    "isolated_in_neutral",
    "earth_open",
    "line_neutral_reversed",
    "neutral_open",
)
"""Which code governs where voltages cannot separate two: exposed metal that may be live comes first."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Explanation:
    """What would show the three voltages: causes by the code that each calls for, equally likely ones only.

    ``is_normal``: an intended condition of a live supply is among them. ``also`` are causes that fit less well but
    cannot be excluded.
    """

    causes: Mapping[str, tuple[str, ...]]
    is_normal: bool
    also: tuple[str, ...] = ()

    def governing(self) -> str:
        """The code that governs: the most dangerous of those that are there, in the order of ``DANGER_ORDER``."""
        return min((code for code in self.causes if code), key=DANGER_ORDER.index)

    def without(self, code: str) -> Explanation:
        """The same with the causes of one code left out, because something else speaks against them."""
        return replace(self, causes={key: words for key, words in self.causes.items() if key != code})

    def words(self) -> tuple[str, ...]:
        """All causes that fit, those of the governing code first."""
        first = self.causes[self.governing()]
        return tuple(dict.fromkeys([*first, *(word for words in self.causes.values() for word in words)]))


def half_normal(distance: float, scale: float) -> float:
    """Log-density at a distance from the end of the scale."""
    return log(2.0 / (scale * sqrt(2.0 * pi))) - distance * distance / (2.0 * scale * scale)


def log_densities(share: float, scales: tuple[float, float, float]) -> dict[str, float]:
    """The log-density of one pair's share of the supply under each word of a pattern."""
    zero, supply, drop = scales
    return {
        "zero": half_normal(share, zero),
        "supply": half_normal(1.0 - share, supply),
        "drop": -log(drop) - share / drop,
        "floating": 0.0,
    }


@cache
def patterns(pack: Pack) -> Mapping[tuple[str, ...], tuple[Mapping[str, Any], ...]]:
    """The signatures of the pack by their pattern."""
    found: dict[tuple[str, ...], list[Mapping[str, Any]]] = {}
    for signature in pack.signatures:
        found.setdefault(tuple(signature["pattern"]), []).append(signature)
    return {pattern: tuple(signatures) for pattern, signatures in found.items()}


def score_patterns(volts: Volts, pack: Pack) -> dict[tuple[str, ...], float]:
    """The log-likelihood of each pattern, over the pairs that have a number."""
    largest = max(volt for volt in volts if volt is not None)
    scales = (pack.number("zero_scale"), pack.number("supply_scale"), pack.number("drop_scale"))
    known = [(place, log_densities(volt / largest, scales)) for place, volt in enumerate(volts) if volt is not None]
    return {pattern: sum(density[pattern[place]] for place, density in known) for pattern in patterns(pack)}


def explain(volts: Volts, *, isolated: bool, pack: Pack) -> Explanation:
    """What explains the three voltages [V], of which one at least must be there and not zero.

    ``isolated``: the supply was meant to be off, which chooses the codes.
    """
    scores = score_patterns(volts, pack)
    best, least = max(scores.values()), pack.number("also_possible")
    by_pattern = patterns(pack)
    fitting = [one for pattern, score in scores.items() if best - score <= SAME for one in by_pattern[pattern]]
    near = [
        one
        for pattern, score in scores.items()
        if best - score > SAME and exp(score - best) >= least
        for one in by_pattern[pattern]
    ]
    state, cause = ("isolated", "cause_isolated") if isolated else ("live", "cause")
    causes: dict[str, tuple[str, ...]] = {}
    for one in fitting:
        causes[one[state]] = tuple(dict.fromkeys([*causes.get(one[state], ()), *filter(None, [one[cause]])]))
    named = {word for words in causes.values() for word in words}
    return Explanation(
        causes=causes,
        is_normal=any(one["normal"] for one in fitting),
        also=tuple(word for word in dict.fromkeys(one[cause] for one in near) if word and word not in named),
    )
