"""Cases made without tables, for properties that need many of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from reconcile.case import Accuracy, Appliance, Attested, Case, Reading, order_key
from reconcile.certificate import Certified
from reconcile.judging import assess_case, certify, remarks_of
from reconcile.pack import load_pack
from schemas.quantities import QUANTITIES
from schemas.steps import STEP_ORDER, STEPS
from tests.reconcile_rules.making import ACCURACY, METER, PLAIN_APPLIANCE, PLAIN_STATED, PLAIN_STEPS, SHA

MINUTE_NS = 60_000_000_000
START_NS = 1_932_800_000_000_000_000
NEEDS = dict.fromkeys(PLAIN_STEPS, "required") | {"insulation": "optional", "earth_continuity": "optional"}


def make_case(
    steps: Mapping[str, Any] | Sequence[tuple[str, Any]] = PLAIN_STEPS,
    *,
    stated: Mapping[str, str] = PLAIN_STATED,
    appliance: Mapping[str, Any] | None = None,
    needs: Mapping[str, str] = NEEDS,
    pack: str = "bs7671-2018-a2.1",
    work_type: str = "service",
) -> Case:
    """A case of one appliance; readings a minute apart, in the order of the work and then as given."""
    listed = sorted(steps.items() if isinstance(steps, Mapping) else steps, key=lambda pair: STEP_ORDER[pair[0]])
    readings: dict[str, list[Reading]] = {}
    for number, (step, content) in enumerate(listed, start=1):
        readings.setdefault(step, []).append(make_reading(step, content, number))
    ordered = {step: tuple(sorted(found, key=order_key)) for step, found in readings.items()}
    return Case(
        appliance=Appliance(certificate_id="J1_A1", job_id="J1", appliance_id="A1", work_type=work_type,
                            **(PLAIN_APPLIANCE | dict(appliance or {}))),
        readings=ordered,
        chosen={step: valid[-1] for step, found in ordered.items() if (valid := [r for r in found if r.is_valid])},
        uncertain=(),
        attested={
            item: (Attested(item=item, value=value, by="N. N.", attested_at_ns=None, place=(SHA, place, 0)),)
            for place, (item, value) in enumerate(stated.items())
        },
        needs=needs,
        retests={},
        accuracies={(METER, row["quantity"]): (accuracy_of(row),) for row in ACCURACY},
        pack=load_pack(pack),
    )  # fmt: skip


def accuracy_of(row: Mapping[str, Any]) -> Accuracy:
    """The specification in a row of the making of briefs."""
    return Accuracy(**{name: value for name, value in row.items() if name != "quantity"})


def make_reading(step: str, content: Any, number: int) -> Reading:
    """One reading of a step: a number, an indication, or a table of fields."""
    planned = STEPS[step]
    fields: dict[str, Any] = dict(content) if isinstance(content, Mapping) else (
        {"indication": content} if isinstance(content, str) else {"value": float(content)}
    )  # fmt: skip
    if fields.get("value") is not None:
        fields = {"unit": QUANTITIES[planned.quantity].unit, "comparator": "eq"} | fields
    base = {
        "reading_id": f"r-{number}", "quantity": planned.quantity, "step": step, "meter_serial": METER,
        "conductors": planned.conductors[0] or None,
        "evidence_sha256": SHA, "record_no": number, "column_no": 1,
    }  # fmt: skip
    minute = fields.pop("minute", number)
    return Reading(**(base | {"taken_at_ns": START_NS + round(minute * MINUTE_NS)} | fields))


def judge_case(case: Case) -> Certified:
    """The judged case, by the rules that see one case at a time."""
    assessed = assess_case(case)
    return certify(assessed, list(remarks_of(assessed)))
