"""The closed list of what can be measured: unit, conductors, physical range.

Units are UCUM codes of SI units without prefix (UCUM specification, ucum.org, table of units: ``V``, ``A``,
``Ohm``, ``s``). The physical ranges are bounds of what an instrument in this trade can show, not limits of what
is good: a value outside is refused when read.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

COMPARATORS: Final = ("eq", "gt", "lt")

PRESENCE: Final = ("present", "absent")
POLARITY: Final = ("correct", "reversed", "no earth", "no neutral", "fault")


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """One quantity: its ``name``, UCUM ``unit`` (empty for an indication), the ``conductors`` it can be
    measured between (empty: none are named), its physical range ``low`` to ``high`` [in ``unit``], and the
    ``indications`` it can take instead of a number.

    Source: ranges are common practice for hand-held instruments; the upper voltage bound is the 1000 V a.c. of
    low voltage (IEC 60449, from memory).
    """

    name: str
    unit: str
    conductors: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    indications: tuple[str, ...] = ()

    @property
    def is_indication(self) -> bool:
        """True where the quantity is an indication and has no number."""
        return bool(self.indications)


QUANTITIES: Final[dict[str, Quantity]] = {
    quantity.name: quantity
    for quantity in (
        Quantity(name="voltage", unit="V", conductors=("L-N", "L-E", "N-E"), low=0.0, high=1000.0),
        Quantity(name="non_contact_voltage", unit="", indications=PRESENCE),
        Quantity(name="voltage_indicator_proof", unit="", indications=PRESENCE),
        Quantity(name="polarity", unit="", indications=POLARITY),
        Quantity(name="earth_fault_loop_impedance", unit="Ohm", conductors=("L-E",), low=0.0, high=5000.0),
        Quantity(name="line_neutral_loop_impedance", unit="Ohm", conductors=("L-N",), low=0.0, high=5000.0),
        Quantity(name="continuity_resistance", unit="Ohm", conductors=("E-case", "R2", "R1R2"), low=0.0, high=1.0e6),
        Quantity(
            name="insulation_resistance",
            unit="Ohm",
            conductors=("L-E", "N-E", "LN-E", "L-N"),
            low=0.0,
            high=1.0e13,
        ),
        Quantity(name="rcd_trip_time", unit="s", low=0.0, high=10.0),
        Quantity(name="current", unit="A", low=0.0, high=1.0e5),
    )
}

UNITS: Final = ("V", "A", "Ohm", "s")
CONDUCTORS: Final = ("L-N", "L-E", "N-E", "E-case", "R2", "R1R2", "LN-E")
INDICATIONS: Final = PRESENCE + POLARITY
