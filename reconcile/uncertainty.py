"""Expanded uncertainty of a reading and the probability that the thing measured keeps its limit.

Sources: JCGM 100:2008 (GUM), 4.3.7 rectangular distributions, 5.1.2 combination, F.2.2.1 resolution, 6.2.1 expanded
uncertainty; JCGM 106:2012, 7.3 and 7.4 conformance probability with a normal distribution, 8.3.2 guard bands.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import erf, inf, sqrt
from typing import Final

from reconcile.case import Accuracies, Accuracy, Reading
from reconcile.pack import Pack

RESISTANCE_WITH_LEADS: Final = "continuity_resistance"


@dataclass(frozen=True, kw_only=True, slots=True)
class Estimate:
    """Standard uncertainty ``u``, expanded uncertainty ``expanded`` = ``k`` u, both in the unit of the value."""

    u: float
    k: float

    @property
    def expanded(self) -> float:
        """U = k u."""
        return self.k * self.u


def rectangular_u(half_width: float) -> float:
    """Standard uncertainty of a rectangular distribution of that half-width. Source: GUM 4.3.7."""
    return half_width / sqrt(3.0)


def resolution_u(step: float) -> float:
    """Standard uncertainty of a display with that last digit. Source: GUM F.2.2.1."""
    return step / sqrt(12.0)


def combined_u(parts: Iterable[float]) -> float:
    """Combined standard uncertainty of uncorrelated parts. Source: GUM 5.1.2."""
    return sqrt(sum(part * part for part in parts))


def half_width(value: float, accuracy: Accuracy, resolution: float | None) -> float | None:
    """What the specification allows at that value [unit of the value]; None where its digits have no size."""
    share = abs(value) * accuracy.percent_of_reading / 100.0
    if accuracy.digits == 0.0:
        return share
    step = accuracy.resolution if accuracy.resolution is not None else resolution
    return None if step is None else share + accuracy.digits * step


def find_accuracy(reading: Reading, accuracies: Accuracies) -> Accuracy | None:
    """The specification of the meter for that quantity and value; of several the one of the smallest range."""
    if reading.value is None:
        return None
    known = accuracies.get((reading.meter_serial or "", reading.quantity), ())
    return next((accuracy for accuracy in known if accuracy.covers(reading.value)), None)


def estimate(reading: Reading, accuracies: Accuracies, pack: Pack) -> Estimate | None:
    """The uncertainty of a numeric reading from its meter's specification; None where none is known.

    The specification as a rectangular distribution, the resolution, and for continuity what nulling the leads leaves.
    """
    accuracy = find_accuracy(reading, accuracies)
    if accuracy is None or reading.value is None or reading.comparator != "eq":
        return None
    allowed = half_width(reading.value, accuracy, reading.resolution)
    if allowed is None:
        return None
    step = reading.resolution if reading.resolution is not None else accuracy.resolution
    leads = pack.number("lead_resistance") if reading.quantity == RESISTANCE_WITH_LEADS else 0.0
    u = combined_u((rectangular_u(allowed), resolution_u(step or 0.0), rectangular_u(leads)))
    return Estimate(u=u, k=pack.number("coverage_factor"))


def normal_share(z: float) -> float:
    """The share of a standard normal distribution below ``z``."""
    return 0.5 * (1.0 + erf(z / sqrt(2.0)))


def conforming(value: float, u: float, *, low: float | None = None, high: float | None = None) -> float:
    """The probability that the thing measured lies within its limits. Source: JCGM 106 equations 8 to 11.

    Without any uncertainty it is 1 within the limits, which are inclusive, and 0 beyond them.
    """
    floor, ceiling = (-inf if low is None else low), (inf if high is None else high)
    if u == 0.0:
        return 1.0 if floor <= value <= ceiling else 0.0
    return normal_share((ceiling - value) / u) - normal_share((floor - value) / u)


def acceptance_limits(guard_band: float, *, low: float | None, high: float | None) -> tuple[float | None, float | None]:
    """Lower and upper acceptance limit, inside the limits by the guard band. Source: JCGM 106 8.3.2."""
    return (None if low is None else low + guard_band), (None if high is None else high - guard_band)
