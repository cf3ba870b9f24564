"""Loop limits and fault currents against a power-systems library: IEC 60909 short circuits by power-grid-model."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from power_grid_model import (
    ComponentType,
    DatasetType,
    FaultPhase,
    FaultType,
    PowerGridModel,
    ShortCircuitVoltageScaling,
    initialize_array,
)

from reconcile.case import Appliance, Case
from reconcile.pack import load_pack
from reconcile.verdicts.earth_loop import fault_current_a
from reconcile.verdicts.loop_limit import breaker_limit_ohm

PACK = load_pack()


def earth_fault_a(loop_ohm: float, scaling: ShortCircuitVoltageScaling) -> float:
    """The current [A] of a line-to-earth fault behind a line of that loop impedance, fed by a very stiff source.

    A line with equal positive and zero sequence resistance R has the loop (2 R1 + R0) / 3 = R.
    """
    nodes = initialize_array(DatasetType.input, ComponentType.node, 2)
    nodes["id"], nodes["u_rated"] = [1, 2], [230.0 * sqrt(3), 230.0 * sqrt(3)]
    lines = initialize_array(DatasetType.input, ComponentType.line, 1)
    lines["id"], lines["from_node"], lines["to_node"], lines["from_status"], lines["to_status"] = (
        [3],
        [1],
        [2],
        [1],
        [1],
    )
    lines["r1"], lines["r0"] = [loop_ohm], [loop_ohm]
    for name in ("x1", "c1", "tan1", "x0", "c0", "tan0"):
        lines[name] = [0.0]
    sources = initialize_array(DatasetType.input, ComponentType.source, 1)
    sources["id"], sources["node"], sources["status"], sources["u_ref"] = [4], [1], [1], [1.0]
    sources["sk"], sources["rx_ratio"], sources["z01_ratio"] = [1.0e15], [0.1], [1.0]
    faults = initialize_array(DatasetType.input, ComponentType.fault, 1)
    faults["id"], faults["status"], faults["fault_object"] = [5], [1], [2]
    faults["fault_type"], faults["fault_phase"] = [FaultType.single_phase_to_ground], [FaultPhase.a]
    faults["r_f"], faults["x_f"] = [0.0], [0.0]
    model = PowerGridModel(
        {
            ComponentType.node: nodes,
            ComponentType.line: lines,
            ComponentType.source: sources,
            ComponentType.fault: faults,
        }
    )
    result = model.calculate_short_circuit(short_circuit_voltage_scaling=scaling)
    return float(np.abs(result[ComponentType.fault]["i_f"][0][0]))


@pytest.mark.parametrize(
    ("breaker", "rating", "operates_a"),
    [("B", 6, 30.0), ("B", 32, 160.0), ("C", 10, 100.0), ("C", 16, 160.0), ("D", 6, 120.0), ("D", 25, 500.0)],
)
def test_at_its_limit_a_loop_lets_just_the_operating_current_flow(breaker: str, rating: int, operates_a: float) -> None:
    """IEC 60909 has 0.95 as the least voltage factor of low voltage, as BS 7671 has for its limits."""
    limit_ohm = breaker_limit_ohm(PACK, breaker, rating, time_s="0.4")
    assert earth_fault_a(limit_ohm, ShortCircuitVoltageScaling.minimum) == pytest.approx(operates_a, rel=1e-6)


@pytest.mark.parametrize("loop_ohm", [0.20, 0.35, 0.8, 42.0])
def test_prospective_current_at_nominal_voltage(loop_ohm: float) -> None:
    """The noted current is at 230 V: the library's greatest current (voltage factor 1.10) divided by 1.10."""
    appliance = Appliance(certificate_id="c", job_id="j", appliance_id="a")
    case = Case(
        appliance=appliance,
        readings={},
        chosen={},
        uncertain=(),
        attested={},
        needs={},
        retests={},
        accuracies={},
        pack=PACK,
    )
    largest = earth_fault_a(loop_ohm, ShortCircuitVoltageScaling.maximum)
    assert fault_current_a(case, loop_ohm) == pytest.approx(largest / 1.10, rel=1e-6)


def test_a_published_example() -> None:
    """0.30 ohm is recorded as 0.77 kA on a model form of Guidance Note 3 (forum, seen)."""
    assert round(PACK.number("nominal_line_to_earth") / 0.30 / 1000.0, 2) == 0.77
