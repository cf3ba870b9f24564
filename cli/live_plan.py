"""Where a live reading stands in the plan of one appliance, what comes next, and whether it shows a danger.

The plan and the judging are those of the certificate (reconcile): nothing is judged by other limits here. Only the
place of a reading is found more simply than afterwards, when the whole day is known.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

import pandas as pd

from ingest.extract import ReadingRow, readings_table
from ingest.office import Office
from reconcile.judging import judge
from reconcile.plan import plan_steps
from reconcile.tables import Brief
from schemas.check import conform_table, empty_table
from schemas.errors import InputError
from schemas.matches import Clocks, Decisions, Matches, Questions
from schemas.readings import Conflicts, Duplicates
from schemas.steps import PHASES, STEPS

ISOLATION: Final = "isolation"
OPENS_ISOLATION: Final = "proof_before"


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where one reading stands: its ``step`` (null: not in the plan), what comes ``next`` (null: nothing is open),
    the outcome so far of the check that it feeds, and the dangers of all readings so far (code, message, action).
    """

    step: str | None
    next: str | None
    outcome: str | None
    dangers: tuple[tuple[str, str, str], ...]


class LivePlan:
    """The plan of one appliance while it is being tested."""

    def __init__(self, office: Office, appliance_id: str) -> None:
        """Raises InputError where the job list has no such appliance, or its job was not attended."""
        mine = office.appliances[office.appliances["appliance_id"] == appliance_id]
        self._jobs = office.jobs[office.jobs["job_id"].isin(mine["job_id"])]
        self._appliances = mine
        self._office = office
        self._plan = plan_steps(self._jobs, mine)
        if self._plan.empty:
            raise InputError(
                f"the job list has no attended job with an appliance {appliance_id!r}",
                seen=", ".join(office.appliances["appliance_id"].astype(str)),
                advice="take the job list in first: provebook jobs jobs.csv appliances.csv",
            )
        self._steps: list[str] = list(self._plan["step"])
        self._required = set(self._plan.loc[self._plan["need"] == "required", "step"])
        self._done: list[str] = []
        self._rows: list[ReadingRow] = []
        self._matches: list[dict[str, Any]] = []

    def place(self, row: ReadingRow, received_at: datetime) -> Place:
        """Take one more reading in and say where it stands."""
        step = self._step_of(row)
        row = replace(row, record_no=len(self._rows) + 1, column_no=1)
        self._rows.append(row)
        if step is not None:
            self._done.append(step)
        self._matches.append(self._match(row, step, received_at))
        judged = judge(self._brief())
        danger = judged.findings[judged.findings["severity"] == "danger"]
        dangers = zip(danger["code"], danger["message"], danger["action"], strict=True)
        outcomes = dict(zip(judged.checks["check"], judged.checks["outcome"], strict=True))
        return Place(
            step=step, next=self.next_step(), outcome=outcomes.get(STEPS[step].check) if step else None,
            dangers=tuple((str(code), str(message), str(action)) for code, message, action in dangers),
        )  # fmt: skip

    def next_step(self) -> str | None:
        """The first required step that is not done."""
        return next((step for step in self._steps if step in self._required and step not in self._done), None)

    def _step_of(self, row: ReadingRow) -> str | None:
        """The step that this reading is: the first open one of the phase the work is in, else a repeat in it.

        The next phase is reached only when the required steps before it are done, so that a live reading that is
        repeated is not taken for the dead test that comes later. The proof of the indicator opens the isolation.
        """
        fitting = [
            step
            for step in self._steps
            if STEPS[step].quantity == row.quantity and (row.conductors or "") in STEPS[step].conductors
        ]
        reached = self._phase_reached()
        if row.quantity == STEPS[OPENS_ISOLATION].quantity and OPENS_ISOLATION in fitting and reached == PHASES[0]:
            metalwork = [step for step in fitting if STEPS[step].phase == PHASES[0] and step not in self._done]
            return metalwork[0] if metalwork and not self._done else OPENS_ISOLATION
        for wanted in (reached, *self._later(reached)):
            here = [step for step in fitting if STEPS[step].phase == wanted]
            still_open = [step for step in here if step not in self._done]
            if still_open or here:
                return (still_open or here[-1:])[0]
        return fitting[-1] if fitting else None

    def _phase_reached(self) -> str:
        reached = max((PHASES.index(STEPS[step].phase) for step in self._done), default=0)
        phases = [phase for phase in PHASES if any(STEPS[step].phase == phase for step in self._steps)]
        here = PHASES[reached]
        wanted = [step for step in self._steps if STEPS[step].phase == here and step in self._required]
        if here != PHASES[0] and all(step in self._done for step in wanted) and here != phases[-1]:
            return phases[phases.index(here) + 1]
        return here

    def _later(self, phase: str) -> list[str]:
        """Phases after this one that may be reached by a reading that this one has no step for; never isolation."""
        return [later for later in PHASES[PHASES.index(phase) + 1 :] if later != ISOLATION]

    def _match(self, row: ReadingRow, step: str | None, received_at: datetime) -> dict[str, Any]:
        appliance = self._appliances.iloc[0]
        return {
            "reading_id": row.reading_id, "taken_at": pd.Timestamp(received_at),
            "job_id": appliance["job_id"] if step else None,
            "appliance_id": appliance["appliance_id"] if step else None, "step": step,
            "match_confidence": 1.0 if step else 0.0, "match_status": "auto" if step else "none", "why": "live",
        }  # fmt: skip

    def _brief(self) -> Brief:
        matches = pd.DataFrame(self._matches)
        matches["taken_at"] = pd.to_datetime(matches["taken_at"], utc=True).astype("datetime64[ns, UTC]")
        office = self._office
        attested = office.attestations
        return Brief(
            readings=readings_table(self._rows), refusals=office.refusals.iloc[:0], duplicates=empty_table(Duplicates),
            conflicts=empty_table(Conflicts), jobs=self._jobs, appliances=self._appliances,
            attestations=attested[attested["appliance_id"].isin(self._appliances["appliance_id"])],
            meters=office.meters, accuracies=office.accuracies, plan=self._plan,
            matches=conform_table(Matches, matches), clocks=empty_table(Clocks), questions=empty_table(Questions),
            decisions=empty_table(Decisions),
        )  # fmt: skip
