"""Rule packs: complete, with sources, old ones still there; and the page that is made from them."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.judging import judge
from reconcile.pack import CONFIRMATIONS, DEFAULT_PACK, Pack, gather_limits, list_packs, load_pack, parse_limits
from reconcile.rules import load_rules
from reconcile.rules.page import LIMITS_OF, WORDS, render_checks, render_page, render_plan
from schemas.checks import CHECKS
from schemas.errors import InputError, ProfileError
from schemas.findings import SEVERITY_OF
from schemas.quantities import UNITS
from schemas.steps import STEPS
from tests.reconcile_rules.making import PLAIN_STEPS, make_brief

PACKS = [load_pack(name) for name in list_packs()]
RULES = Path(__file__).parents[2] / "reconcile" / "rules"


def test_the_packs_there_are() -> None:
    assert list_packs() == ("bs7671-2008.1", "bs7671-2018-a2-guarded.1", "bs7671-2018-a2.1")
    assert DEFAULT_PACK in list_packs()


@pytest.mark.parametrize("pack", PACKS, ids=lambda pack: pack.name)
def test_every_limit_has_all_it_needs(pack: Pack) -> None:
    for name, limit in pack.limits.items():
        assert limit.id == name
        assert limit.value > 0.0
        assert limit.unit in (*UNITS, "1", "%", "min", "h", "d")
        assert len(limit.condition) > 10
        assert len(limit.source) > 5
        assert limit.confirmed in CONFIRMATIONS
        assert limit.on.year >= 2026
    for setting in pack.settings.values():
        assert setting.why


@pytest.mark.parametrize("pack", PACKS, ids=lambda pack: pack.name)
def test_signatures_are_whole(pack: Pack) -> None:
    for row in pack.signatures:
        assert set(row) == {"id", "pattern", "normal", "live", "isolated", "cause", "cause_isolated"}
        assert len(row["pattern"]) == 3
        assert set(row["pattern"]) <= {"supply", "zero", "floating", "drop"}
        assert {row["live"], row["isolated"]} - {""} <= set(SEVERITY_OF)
        assert row["isolated"] in ("not_dead", "isolated_in_neutral")


def test_an_unknown_pack_is_told_with_the_names_there_are() -> None:
    with pytest.raises(InputError, match=r"no rule pack is called 'x'") as caught:
        load_pack("x")
    assert "bs7671-2018-a2.1" in caught.value.advice


def test_a_pack_says_what_it_lacks() -> None:
    pack = load_pack()
    with pytest.raises(ProfileError, match="has no limit 'x'"):
        pack.limit("x")
    with pytest.raises(ProfileError, match="has no setting 'x'"):
        pack.setting("x")
    assert pack.find_limit("x") is None


ROW = {"id": "a", "value": 1.0, "unit": "V", "condition": "c", "source": "s", "confirmed": "policy", "on": "d"}


def test_a_limit_that_is_not_whole_is_refused() -> None:
    assert (
        parse_limits({"limit": [{"id": "a"}], "defaults": {k: v for k, v in ROW.items() if k != "id"}}, "f")[0].id
        == "a"
    )
    with pytest.raises(ProfileError, match=r"f, a: a limit is not complete"):
        parse_limits({"limit": [{"id": "a"}]}, "f")
    with pytest.raises(ProfileError, match=r"'hearsay' is no way of confirmation"):
        parse_limits({"limit": [ROW | {"confirmed": "hearsay"}]}, "f")


def test_a_limit_that_stands_twice_is_refused() -> None:
    with pytest.raises(ProfileError, match=r"second\.toml: limit 'a' stands twice"):
        gather_limits({"first.toml": {"limit": [ROW]}, "second.toml": {"limit": [ROW]}})
    assert set(gather_limits({"first.toml": {"limit": [ROW, ROW | {"id": "b"}]}})) == {"a", "b"}


def test_a_certificate_can_be_judged_as_an_old_pack_would() -> None:
    """6.0 ohm behind a 6 A type B breaker: above 0.8 x 7.283 of 2018 (5.83), below 0.8 x 7.667 of 2008 (6.13)."""
    steps = PLAIN_STEPS | {"earth_loop": 6.0}
    brief = make_brief(steps, appliance={"device": "B", "device_rating_a": 6.0})
    new, old = judge(brief), judge(brief, pack="bs7671-2008.1")
    assert "earth_loop_high" in set(new.findings["code"])
    assert "earth_loop_high" not in set(old.findings["code"])
    assert old.rule_pack == "bs7671-2008.1"
    assert set(old.certificates["rule_pack"]) == {"bs7671-2008.1"}


def test_guarded_acceptance_does_not_pass_what_uncertainty_leaves_open() -> None:
    """U of 217 V is 5.4 V here: simple acceptance passes it with a query, guarded acceptance does not."""
    brief = make_brief(PLAIN_STEPS | {"supply_ln": 217.0, "supply_le": 217.0})
    assert judge(brief).certificates["outcome"].tolist() == ["satisfactory"]
    assert judge(brief, pack="bs7671-2018-a2-guarded.1").certificates["outcome"].tolist() == ["incomplete"]


@pytest.mark.parametrize(("volts", "outcome"), [(221.6, "incomplete"), (221.7, "satisfactory")])
def test_the_guard_band_is_the_expanded_uncertainty(volts: float, outcome: str) -> None:
    """2 % + 3 digits of 0.1 V: at 221.7 V half-width 4.734 V, u = 2.733 V, U = 5.47 V, so 221.67 V is least."""
    brief = make_brief(PLAIN_STEPS | {"supply_ln": volts, "supply_le": volts})
    least = 216.2 + 2.0 * ((((0.02 * volts + 0.3) ** 2) / 3.0 + 0.01 / 12.0) ** 0.5)
    assert (volts >= least) == (outcome == "satisfactory")
    assert judge(brief, pack="bs7671-2018-a2-guarded.1").certificates["outcome"].tolist() == [outcome]


def test_every_rule_file_is_found_and_keeps_its_shape() -> None:
    files = {path.stem for path in RULES.glob("*.py")} - {"__init__", "page"}
    assert set(load_rules()) == files
    covered = set()
    for name, rule in load_rules().items():
        assert set(rule.codes) <= set(SEVERITY_OF), name
        assert (rule.find is not None) or (rule.find_in_day is not None), name
        assert rule.about
        assert rule.source
        covered |= set(rule.codes)
        worst = {SEVERITY_OF[code] for code in rule.codes}
        assert (rule.effect == "unsatisfactory") == bool(worst & {"danger", "defect"}), name
    assert covered == set(SEVERITY_OF)


def test_the_page_shows_every_check_rule_limit_and_choice() -> None:
    page = render_page()
    for words in (*CHECKS.values(), *load_rules(), *load_pack().limits, *load_pack().settings, *list_packs()):
        assert words in page
    checks = render_checks(load_pack())
    assert (
        "| supply voltage | 230 V less 6 %; holds at the supply terminals, applied here at the appliance | 216.2 V |"
        in checks
    )
    assert "| 5 V | policy of this rule pack; no published threshold for dead was found | none | chosen here" in checks
    assert "as quoted elsewhere" in page
    plan = render_plan(load_pack())
    assert len(plan.splitlines()) == len(STEPS) + 2
    assert "| insulation | optional | required | optional | optional |" in plan
    assert "| RCD trip time | required on TT | required with an RCD | required on TT | required on TT |" in plan
    assert "| earth continuity | optional | required but for class II | required but for class II | optional |" in plan


BESIDE = ("fuse/", "permitted_error/", "insulation_investigate", "near_limit", "repeated_values", "fastest_test",
          "lead_offset", "lead_resistance", "coverage_factor", "probability_", "calibration_interval", "visit_",
          "rcd_delayed", "zero_scale", "supply_scale", "drop_scale", "also_possible", "nominal_voltage",
          "lowest_voltage_at_appliance")  # fmt: skip
"""Numbers that no check passes or fails by (uncertainty, remarks, plausibility, likelihoods), and the fuses of every
kind: those stand in the whole table of limits."""


def test_every_number_that_decides_stands_in_the_table_of_checks() -> None:
    named = {name for names in LIMITS_OF.values() for name in names}
    pack = load_pack()
    assert set(LIMITS_OF) | set(WORDS) == set(CHECKS)
    assert {name for name in pack.limits if name not in named and not name.startswith(BESIDE)} == set()
    for row in render_checks(pack).splitlines()[2:]:
        cells = [cell.strip() for cell in row.strip("|").split("|")]
        assert len(cells) == 6
        assert cells[0] in CHECKS.values()
        assert cells[1]
        assert cells[3]
