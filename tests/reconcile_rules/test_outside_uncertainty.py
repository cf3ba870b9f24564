"""Uncertainty and conformance against worked examples of the GUM family, scipy, uncertainties and a Monte Carlo."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm
from uncertainties import ufloat

from reconcile.case import Accuracy, Reading
from reconcile.pack import load_pack
from reconcile.uncertainty import (
    acceptance_limits,
    combined_u,
    conforming,
    estimate,
    half_width,
    normal_share,
    rectangular_u,
    resolution_u,
)

PACK = load_pack()


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "printed", "source"),
    [
        (-5.47, 0.05, None, -5.40, 0.92, "JCGM 106:2012 7.3.3 example 1 (text seen)"),
        (509.7, 8.6, 490.0, None, 0.99, "JCGM 106:2012 7.3.3 example 2 (text seen)"),
        (13.6, 1.8, 12.5, 16.3, 0.66, "JCGM 106:2012 7.4 (text seen)"),
        (1500.0, 0.12, 1499.8, 1500.2, 0.90, "JCGM 106:2012 9.5.3 (text seen)"),
    ],
)
def test_conformance_probability_as_printed(
    value: float, u: float, low: float | None, high: float | None, printed: float, source: str
) -> None:
    assert round(conforming(value, u, low=low, high=high), 2) == printed, source


@pytest.mark.parametrize(("share", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_standard_normal_as_printed(share: float, z: float) -> None:
    """JCGM 106:2012 Table 1 (text seen): z to two decimals."""
    assert normal_share(z) == pytest.approx(share, abs=0.0015)


def test_a_guard_band_of_u_leaves_2_3_percent() -> None:
    """JCGM 106:2012 8.3.2.3 (text seen): at most 2.3 % for w = U = 2 u."""
    _, highest = acceptance_limits(2.0, low=None, high=10.0)
    assert highest == 8.0
    assert acceptance_limits(2.0, low=1.0, high=None) == (3.0, None)
    assert acceptance_limits(2.0, low=1.0, high=10.0) == (3.0, 8.0)
    assert round(100.0 * (1.0 - conforming(8.0, 1.0, high=10.0)), 1) == 2.3


def test_a_guarded_speed_limit() -> None:
    """JCGM 106:2012 8.3.3 example 1 (text seen): 100 km/h, u = 2 %, 99.9 %: 107 km/h."""
    value = 100.0 / (1.0 - 0.02 * 3.09)
    assert round(value) == 107
    assert conforming(value, 0.02 * value, high=100.0) == pytest.approx(0.001, abs=1e-5)


@pytest.mark.parametrize(
    ("half", "printed", "source"),
    [
        (0.40e-6, 0.23e-6, "GUM 4.3.7 example 1 (text seen)"),
        ((0.40e-6 + 0.12e-6) / 2.0, 0.15e-6, "GUM 4.3.8 example (text seen)"),
        (15e-6, 8.7e-6, "GUM 4.3.7 example 2, half-width (text seen)"),
        (4.0, 2.3, "GUM 4.4.5, 96 to 104 (text seen)"),
    ],
)
def test_rectangular_distributions_as_printed(half: float, printed: float, source: str) -> None:
    assert rectangular_u(half) == pytest.approx(printed, abs=0.05 * 10 ** np.floor(np.log10(printed))), source


def test_the_voltmeter_of_the_guide() -> None:
    """GUM 4.3.7 example 2 (text seen): 14 ppm of 0.928571 V and 2 ppm of the range of 1 V: a = 15 uV, u = 8.7 uV."""
    meter = Accuracy(percent_of_reading=14e-4, digits=2.0, resolution=1e-6, range_low=0.0, range_high=1.0)
    allowed = half_width(0.928571, meter, None)
    assert allowed is not None
    assert round(allowed * 1e6, 1) == 15.0
    assert round(rectangular_u(allowed) * 1e6, 1) == 8.7


def test_combination_as_printed() -> None:
    """GUM 5.1.5 (text seen): 12 uV and 8.7 uV give 15 uV. GUM H.1.4 (text seen): 25, 9.7, 2.9, 16.6 nm give 32 nm."""
    assert round(combined_u([12.0, 8.7])) == 15
    assert round(combined_u([25.0, 9.7, 2.9, 16.6])) == 32


@pytest.mark.parametrize(
    ("parts", "u", "printed", "source"),
    [
        ([0.001, 0.029, 0.0064], 0.030, 0.06, "EA-4/02 S9, multimeter at 100 V (a transcription was seen)"),
        ([2.5, 5.8, 1.6, 3.2, 4.1, 0.7], 8.33, 17.0, "EA-4/02 S3, 10 kohm [mohm] (a transcription was seen)"),
        ([22.5, 8.95, 14.4, 5.77, 5.77], 29.3, 59.0, "EA-4/02 S2, 10 kg [mg] (a transcription was seen)"),
    ],
)
def test_budgets_of_calibrations(parts: list[float], u: float, printed: float, source: str) -> None:
    """U with k = 2; for S9 the published 0.05 V has k = 1.65 for its dominant rectangular part, which is narrower."""
    assert combined_u(parts) == pytest.approx(u, rel=0.012), source
    assert 2.0 * combined_u(parts) == pytest.approx(printed, rel=0.02)


def test_resolution() -> None:
    """GUM F.2.2.1 (text seen): u = 0.29 of the last digit."""
    assert round(resolution_u(1.0), 2) == 0.29


@given(
    value=st.floats(-1e3, 1e3),
    u=st.floats(1e-3, 1e3),
    low=st.none() | st.floats(-1e3, 0.0),
    high=st.none() | st.floats(0.0, 1e3),
)
def test_conformance_agrees_with_scipy(value: float, u: float, low: float | None, high: float | None) -> None:
    below = norm.cdf(low, value, u) if low is not None else 0.0
    up_to = norm.cdf(high, value, u) if high is not None else 1.0
    assert conforming(value, u, low=low, high=high) == pytest.approx(up_to - below, abs=1e-12)


def test_no_uncertainty_is_a_plain_comparison() -> None:
    assert conforming(1.0, 0.0, high=1.0) == 1.0
    assert conforming(1.0, 0.0, low=1.0, high=2.0) == 1.0
    assert conforming(1.1, 0.0, high=1.0) == 0.0
    assert conforming(0.9, 0.0, low=1.0) == 0.0


METER = Accuracy(percent_of_reading=5.0, digits=3.0, resolution=0.01, range_low=0.0, range_high=20.0)


def measured(quantity: str = "earth_fault_loop_impedance", value: float = 0.35, **more: object) -> Reading:
    return Reading(**{"reading_id": "r", "quantity": quantity, "value": value, "unit": "Ohm", "comparator": "eq",
                      "meter_serial": "M"} | more)  # type: ignore[arg-type]  # fmt: skip


def test_propagation_agrees_with_uncertainties() -> None:
    """The same budget in the library ``uncertainties``: the specification, the resolution, the leads added up."""
    for quantity, leads in (("earth_fault_loop_impedance", 0.0), ("continuity_resistance", 0.01)):
        found = estimate(measured(quantity), {("M", quantity): (METER,)}, PACK)
        total = ufloat(0.35, (0.35 * 0.05 + 0.03) / sqrt(3)) + ufloat(0, 0.01 / sqrt(12))
        total += ufloat(0, leads / sqrt(3)) if leads else 0.0
        assert found is not None
        assert found.u == pytest.approx(total.std_dev, rel=1e-12)
        assert found.expanded == pytest.approx(2.0 * total.std_dev, rel=1e-12)


def test_propagation_agrees_with_a_monte_carlo() -> None:
    """JCGM 101: a million draws from the three rectangular distributions; standard deviation to half a percent."""
    draws = np.random.default_rng(20310402).uniform(-1.0, 1.0, (3, 1_000_000))
    total = draws[0] * (0.35 * 0.05 + 0.03) + draws[1] * 0.005 + draws[2] * 0.01
    found = estimate(measured("continuity_resistance"), {("M", "continuity_resistance"): (METER,)}, PACK)
    assert found is not None
    assert found.u == pytest.approx(float(total.std()), rel=0.005)


def test_a_specification_must_cover_the_value_and_know_its_digits() -> None:
    loop = "earth_fault_loop_impedance"
    unsized = Accuracy(percent_of_reading=5.0, digits=3.0, resolution=None, range_low=None, range_high=None)
    plain = Accuracy(percent_of_reading=5.0, digits=0.0, resolution=None, range_low=None, range_high=None)
    assert estimate(measured(), {}, PACK) is None
    assert estimate(measured(value=25.0), {("M", loop): (METER,)}, PACK) is None
    assert estimate(measured(), {("M", loop): (unsized,)}, PACK) is None
    assert estimate(measured(resolution=0.01), {("M", loop): (unsized,)}, PACK) == estimate(
        measured(), {("M", loop): (METER,)}, PACK
    )
    assert estimate(measured(value=None, comparator=None), {("M", loop): (METER,)}, PACK) is None
    assert estimate(measured(comparator="gt"), {("M", loop): (METER,)}, PACK) is None
    found = estimate(measured(), {("M", loop): (plain,)}, PACK)
    assert found is not None
    assert found.u == pytest.approx(0.35 * 0.05 / sqrt(3))


def test_of_several_ranges_the_smallest_that_covers_counts() -> None:
    wide = Accuracy(percent_of_reading=10.0, digits=0.0, resolution=0.1, range_low=0.0, range_high=2000.0)
    found = estimate(measured(), {("M", "earth_fault_loop_impedance"): (METER, wide)}, PACK)
    assert found is not None
    assert found.u == pytest.approx(combined_u([(0.35 * 0.05 + 0.03) / sqrt(3), 0.01 / sqrt(12)]))
    beyond = estimate(measured(value=20.01), {("M", "earth_fault_loop_impedance"): (METER, wide)}, PACK)
    assert beyond is not None
    assert beyond.u == pytest.approx(combined_u([2.001 / sqrt(3), 0.1 / sqrt(12)]))
