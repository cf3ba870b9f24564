"""Day remarks brought to the certificates whose readings they are about."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from reconcile.case import Reading
from reconcile.rule import Assessed, DayRemark, Remark
from reconcile.verdicts import checks_of_reading


@dataclass(frozen=True, kw_only=True, slots=True)
class Placed:
    """A remark with the certificate that it stands on; without one it is about the day, or a place not attended."""

    remark: Remark
    certificate_id: str | None = None
    job_id: str | None = None
    appliance_id: str | None = None

    @classmethod
    def on(cls, assessed: Assessed, remark: Remark) -> Placed:
        """The remark on the certificate of a case."""
        appliance = assessed.case.appliance
        return cls(
            remark=remark,
            certificate_id=appliance.certificate_id,
            job_id=appliance.job_id,
            appliance_id=appliance.appliance_id,
        )


def spread(remarks: Iterable[DayRemark], cases: Sequence[Assessed]) -> list[Placed]:
    """Each remark once for every certificate that has readings of it, touching the checks that these readings feed.

    Readings on no certificate keep the remark on the day; so does a remark without readings.
    """
    owners = {
        reading.reading_id: (assessed, reading)
        for assessed in cases
        for readings in assessed.case.readings.values()
        for reading in readings
    }
    placed = []
    for day_remark in remarks:
        found: dict[str, tuple[Assessed, list[Reading]]] = {}
        loose: list[str] = []
        ids = day_remark.remark.reading_ids
        if owners.keys().isdisjoint(ids):
            # A remark can have a hundred thousand readings, all of them on no certificate.
            ids, loose = (), list(ids)
        for reading_id in ids:
            if reading_id not in owners:
                loose.append(reading_id)
                continue
            assessed, reading = owners[reading_id]
            found.setdefault(assessed.case.appliance.certificate_id, (assessed, []))[1].append(reading)
        placed += [Placed.on(assessed, narrow(day_remark.remark, readings)) for assessed, readings in found.values()]
        if loose or not found:
            placed.append(
                Placed(
                    remark=replace(day_remark.remark, reading_ids=tuple(loose)),
                    job_id=day_remark.job_id,
                    appliance_id=day_remark.appliance_id,
                )
            )
    return placed


def narrow(remark: Remark, readings: Sequence[Reading]) -> Remark:
    """The remark about these readings only, and the checks that they feed."""
    checks: dict[str, None] = {}
    for reading in readings:
        checks |= dict.fromkeys(checks_of_reading(reading))
    return replace(remark, checks=tuple(checks), reading_ids=tuple(reading.reading_id for reading in readings))
