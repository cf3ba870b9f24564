"""The limit of an earth fault loop: from the earthing arrangement, the protective device and the RCD."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache
from typing import Final

from reconcile.case import Appliance
from reconcile.pack import Limit, Pack

BREAKERS: Final = ("B", "C", "D")
TN: Final = ("TN-S", "TN-C-S")


@dataclass(frozen=True, kw_only=True, slots=True)
class LoopLimit:
    """The limit [ohm] with the factor for a reading taken cold; where there is none, ``why`` says what is missing."""

    limit: Limit | None = None
    factor: float = 1.0
    why: str = ""

    @property
    def value_ohm(self) -> float | None:
        """What a measured loop may be at most [ohm]."""
        return None if self.limit is None else self.limit.times(self.factor)


def breaker_limit_ohm(pack: Pack, breaker: str, rating_a: float, *, time_s: str) -> float:
    """U0 x Cmin / (m x In) [ohm], exact; ``m`` is the multiple at which the type trips at once.

    A type D breaker has 5 s at half that multiple. Source: BS 7671 regulation 411.4.4 and Table 41.3.
    """
    multiple = pack.number(f"breaker/{breaker}")
    if breaker == "D" and time_s == "5":
        multiple /= 2.0
    return pack.number("nominal_line_to_earth") * pack.number("voltage_factor") / (multiple * rating_a)


def fuse_ratings_a(pack: Pack, device: str, time_s: str) -> list[float]:
    """The ratings [A] of that fuse that have a tabulated limit, smallest first."""
    starts, ends = f"fuse/{device}/", f"/{time_s}"
    names: Iterable[str] = (name for name in pack.limits if name.startswith(starts) and name.endswith(ends))
    return sorted(float(name.removeprefix(starts).removesuffix(ends)) for name in names)


@cache
def device_limit(pack: Pack, device: str, rating_a: float) -> LoopLimit:
    """The limit of one protective device on a TN supply, for a reading taken cold."""
    if rating_a < pack.number("smallest_device"):
        return LoopLimit(why="device not tabulated")
    time_s = "0.4" if rating_a <= pack.number("final_circuit_up_to") else "5"
    factor = pack.number("cold_factor")
    if device in BREAKERS:
        base = pack.limit(f"breaker/{device}")
        limit = replace(
            base,
            id=f"loop/{device}/{rating_a:g}",
            value=breaker_limit_ohm(pack, device, rating_a, time_s=time_s),
            unit="Ohm",
            source=f"{pack.edition} Table 41.3 by its formula, U0 x Cmin / Ia",
            confirmed="computed",
        )
        return LoopLimit(limit=limit, factor=factor)
    enough = [rating for rating in fuse_ratings_a(pack, device, time_s) if rating >= rating_a]
    if enough and (enough[0] == rating_a or device == "BS1362"):
        return LoopLimit(
            limit=pack.limit(f"fuse/{device}/{enough[0]:g}/{time_s}"),
            factor=factor,
            why=""
            if enough[0] == rating_a
            else f"no tabulated limit for {rating_a:g} A, that of {enough[0]:g} A taken",
        )
    return LoopLimit(why="device not tabulated")


def loop_limit(pack: Pack, appliance: Appliance, *, fitted_a: float | None = None) -> LoopLimit:
    """The limit that governs the loop at this appliance.

    TN: that of the protective device; of a fuse link seen by a person and one named in the job list the larger rating
    counts, which has the stricter limit. TT: 50 V over the rated residual current of the RCD. Unknown earthing, IT,
    a TT supply without a known RCD and an unknown device have none.
    """
    if appliance.earthing == "TT":
        if appliance.rcd_rated_ma is None:
            return LoopLimit(why="rcd unknown")
        touch = pack.limit("touch_voltage")
        value = touch.value / (appliance.rcd_rated_ma / 1000.0)
        return LoopLimit(limit=replace(touch, id="loop/TT", value=value, unit="Ohm"))
    if appliance.earthing not in TN:
        return LoopLimit(why="earthing unknown")
    if appliance.device is None or appliance.device_rating_a is None:
        return LoopLimit(why="device unknown")
    rating_a = appliance.device_rating_a
    if appliance.device == "BS1362" and fitted_a is not None:
        rating_a = max(rating_a, fitted_a)
    return device_limit(pack, appliance.device, rating_a)
