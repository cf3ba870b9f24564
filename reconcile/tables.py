"""The tables that the rooms of reconcile hand to each other."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd


@dataclass(frozen=True, kw_only=True)
class MatchResult:
    """What the matcher says: schemas.matches.Matches (one row a sighting), Clocks, Questions."""

    matches: pd.DataFrame
    clocks: pd.DataFrame
    questions: pd.DataFrame


@dataclass(frozen=True, kw_only=True)
class Brief:
    """All that judging may look at, every table checked: nothing else is known to a rule.

    Schemas: readings (schemas.readings.Readings), refusals, duplicates, conflicts; jobs, appliances, attestations;
    meters, accuracies; plan (schemas.steps.PlannedSteps); matches, clocks, questions, decisions.
    """

    readings: pd.DataFrame
    refusals: pd.DataFrame
    duplicates: pd.DataFrame
    conflicts: pd.DataFrame
    jobs: pd.DataFrame
    appliances: pd.DataFrame
    attestations: pd.DataFrame
    meters: pd.DataFrame
    accuracies: pd.DataFrame
    plan: pd.DataFrame
    matches: pd.DataFrame
    clocks: pd.DataFrame
    questions: pd.DataFrame
    decisions: pd.DataFrame


@dataclass(frozen=True, kw_only=True)
class Judged:
    """What judging says: schemas.checks.Checks, schemas.findings.Findings, schemas.certificates.Certificates.

    Every appliance of an attended job has one certificate; a job that was not attended has none.
    """

    checks: pd.DataFrame
    findings: pd.DataFrame
    certificates: pd.DataFrame
    rule_pack: str
