"""The house in order: README and CI agree, the words and tables of the project are consistent."""

from __future__ import annotations

import importlib
import pkgutil
import re
from pathlib import Path

import pint
import pytest

import schemas
from schemas.check import empty_table
from schemas.checks import CHECKS
from schemas.columns import Table
from schemas.errors import TableError
from schemas.findings import SEVERITIES, SEVERITY_OF
from schemas.quantities import QUANTITIES, UNITS
from schemas.steps import PHASES, STEPS

ROOT = Path(__file__).resolve().parents[2]


def tables() -> list[type[Table]]:
    found = []
    for module in pkgutil.iter_modules(schemas.__path__):
        for thing in vars(importlib.import_module(f"schemas.{module.name}")).values():
            if isinstance(thing, type) and issubclass(thing, Table) and thing is not Table and thing not in found:
                found.append(thing)
    return sorted(found, key=lambda table: table.__name__)


@pytest.mark.parametrize("table", tables(), ids=lambda table: table.__name__)
def test_every_table_is_strict_and_refuses_a_strange_column(table: type[Table]) -> None:
    from schemas.check import check_table

    empty = empty_table(table)
    with pytest.raises(TableError, match="strange"):
        check_table(table, empty.assign(strange=1))
    with pytest.raises(TableError):
        check_table(table, empty.iloc[:, 1:])


def test_ci_runs_the_test_command_of_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    commands = [line.strip() for line in readme.splitlines() if ".venv/bin/pytest" in line]
    assert commands, "the README names the test command"
    assert commands[0] in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_units_are_what_an_independent_unit_library_says() -> None:
    # Source: pint's registry (SI), an open-source units library; UCUM writes the ohm as Ohm.
    registry = pint.UnitRegistry()
    dimension = {"V": "volt", "A": "ampere", "Ohm": "ohm", "s": "second"}
    assert set(UNITS) == set(dimension)
    for unit, name in dimension.items():
        assert registry(unit.replace("Ohm", "ohm")).to_base_units().magnitude == pytest.approx(
            registry(name).to_base_units().magnitude
        )
    assert (registry("volt") / registry("ampere")).check("[mass] * [length]**2 / [time]**3 / [current]**2")


def test_every_step_measures_a_quantity_between_conductors_it_knows() -> None:
    for step in STEPS.values():
        quantity = QUANTITIES[step.quantity]
        assert set(step.conductors) <= set(quantity.conductors or ("",))
        assert step.check in CHECKS
        assert step.phase in PHASES


def test_every_finding_code_has_one_severity() -> None:
    assert set(SEVERITY_OF.values()) == set(SEVERITIES)
    assert all(re.fullmatch(r"[a-z_]+", code) for code in SEVERITY_OF)
