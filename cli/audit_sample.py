"""Certificates of a dataset drawn to be checked by hand."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Final

import pandas as pd

from cli.auditing import Audit, read_or_none
from reconcile.audit.dataset_tables import parse_dataset_table
from reconcile.audit.sampling import Plan, draw_sample, plan_sample, published_plan
from schemas.errors import InputError

SHARE: Final = re.compile(r"(\d+(?:\.\d+)?)\s*%")
PUBLISHED: Final = re.compile(r"aql:(\d+\.\d+|\d+)(?::(I{1,3}))?")


def draw(audit: Audit, out: Path, wanted: str, *, confidence: float, seed: str) -> None:
    """Add a sample of the certificates in ``out`` to the audit, with what passing it shows.

    ``wanted``: ``5%`` (the smallest sample that shows fewer than 5 % wrong where none is), or ``aql:1.0`` or
    ``aql:1.0:II`` (a plan of ISO 2859-1). Raises InputError where it is neither, or there is nothing to draw from.
    """
    content = read_or_none(out / "certificates.csv")
    if content is None:
        raise InputError("there are no certificates to draw from", where=str(out / "certificates.csv"))
    certificates = parse_dataset_table("certificates", content)
    if certificates.empty:
        raise InputError("there are no certificates to draw from", where=str(out / "certificates.csv"))
    plan = find_plan(wanted, len(certificates), confidence)
    chosen = draw_sample(list(certificates["certificate_id"]), plan.draw, seed=seed)
    audit.tables["sample"] = pd.DataFrame({"certificate_id": chosen})
    audit.totals["sample"] = f"{plan.draw} of {plan.population} certificates, seed {seed!r}"
    audit.notes.append(sentence(plan))


def find_plan(wanted: str, population: int, confidence: float) -> Plan:
    """The plan that the words ask for. Raises InputError where they ask for none."""
    if share := SHARE.fullmatch(wanted.strip()):
        tolerable = max(1, math.ceil(population * float(share[1]) / 100))
        return plan_sample(population=population, tolerable=tolerable, confidence=confidence)
    if published := PUBLISHED.fullmatch(wanted.strip()):
        level = published[2] or "II"
        return published_plan(population=population, aql=published[1], level=level, confidence=confidence)
    raise InputError(f"no such sample: {wanted!r}", advice="5% or aql:1.0")


def sentence(plan: Plan) -> str:
    """What the plan asks and what follows."""
    most = "none" if plan.accept == 0 else f"at most {plan.accept}"
    return (
        f"check the {plan.draw} certificates drawn by hand: if {most} of them is wrong, fewer than {plan.tolerable} of "
        f"all {plan.population} are, with a confidence of {plan.confidence:.0%}"
    )
