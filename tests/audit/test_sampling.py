from __future__ import annotations

from collections import Counter
from itertools import combinations
from math import comb

import pytest

from reconcile.audit.published_plans import ZERO_ACCEPTED, find_published_plan
from reconcile.audit.sampling import (
    acceptance_probability,
    draw_sample,
    plan_sample,
    published_plan,
    quality_passed,
)
from schemas.errors import InputError


@pytest.mark.parametrize(
    ("population", "aql", "level", "size", "accept"),
    [
        # A published inspection manual's worked examples (scribd.com/document/322222519, examples 1 and 2).
        (1000, "1.5", "II", 80, 3),
        (20, "1.5", "I", 8, 0),
        # 7 CFR 42.140: quality limit 0.25 %, single plan of 500 accepting 3; lots of letter N at level II.
        (100000, "0.25", "II", 500, 3),
    ],
)
def test_published_examples(population: int, aql: str, level: str, size: int, accept: int) -> None:
    assert find_published_plan(population, aql=aql, level=level) == (size, accept)


def test_every_published_plan_lets_its_quality_limit_pass_mostly() -> None:
    # What the standard says of its plans: lots at the quality limit are accepted in about nine of ten cases or more.
    for aql in ZERO_ACCEPTED:
        for population in (5, 60, 400, 1000, 5000, 50000):
            size, accept = find_published_plan(population, aql=aql, level="II")
            passed = quality_passed(draw=size, accept=accept, probability=0.87)
            assert passed >= float(aql) / 100, (aql, population, size, accept)
            strict = quality_passed(draw=size, accept=accept, probability=0.50)
            assert strict <= float(aql) / 100 * 6, (aql, population, size, accept)


def test_sample_of_one_hundred_by_counting_every_case() -> None:
    # 12 certificates of which 3 are wrong: all 495 samples of 4 counted one by one.
    samples = list(combinations(range(12), 4))
    for accept in range(4):
        passing = sum(len(set(sample) & {0, 1, 2}) <= accept for sample in samples)
        found = acceptance_probability(population=12, wrong=3, draw=4, accept=accept)
        assert found == pytest.approx(passing / comb(12, 4))


@pytest.mark.parametrize(("population", "tolerable", "accept"), [(20, 1, 0), (60, 3, 0), (300, 15, 1), (1000, 50, 0)])
def test_plan_is_the_smallest_that_holds(population: int, tolerable: int, accept: int) -> None:
    plan = plan_sample(population=population, tolerable=tolerable, accept=accept)
    for draw, holds in ((plan.draw, True), (plan.draw - 1, False)):
        chance = acceptance_probability(population=population, wrong=tolerable, draw=draw, accept=accept)
        assert (chance <= 0.05) is holds


def test_rule_of_three() -> None:
    # None wrong among 59 of very many: at most 5 % are, with 95 %. Textbook value, 0.95^59 < 0.05 < 0.95^58.
    assert plan_sample(population=1_000_000, tolerable=50_000).draw == 59


def test_published_plan_says_what_it_shows() -> None:
    plan = published_plan(population=1000, aql="1.0")
    assert (plan.draw, plan.accept) == (80, 2)
    worse = acceptance_probability(population=1000, wrong=plan.tolerable, draw=80, accept=2)
    better = acceptance_probability(population=1000, wrong=plan.tolerable - 1, draw=80, accept=2)
    assert worse <= 0.05 < better
    assert published_plan(population=6, aql="1.0").draw == 6


def test_draw_is_reproducible_and_does_not_depend_on_order() -> None:
    names = [f"C{number}" for number in range(40)]
    first = draw_sample(names, 7, seed="agreed in March")
    assert first == draw_sample(names, 7, seed="agreed in March")
    assert set(first) == set(draw_sample(names[::-1], 7, seed="agreed in March"))
    assert first != draw_sample(names, 7, seed="agreed in April")
    assert len(set(first)) == 7
    assert first == [name for name in names if name in first]


def test_every_certificate_is_drawn_equally_often() -> None:
    names = [f"C{number}" for number in range(10)]
    counts = Counter(name for seed in range(4000) for name in draw_sample(names, 3, seed=str(seed)))
    # 1,200 expected each, standard deviation 29: five of them is a chance of one in a million.
    assert all(abs(count - 1200) < 145 for count in counts.values())


@pytest.mark.parametrize("wanted", [{"tolerable": 0}, {"tolerable": 101}, {"tolerable": 5, "accept": 5}])
def test_impossible_plans_are_told(wanted: dict[str, int]) -> None:
    with pytest.raises(InputError, match="no sample"):
        plan_sample(population=100, **wanted)
    with pytest.raises(InputError, match="cannot draw"):
        draw_sample(["C1"], 2, seed="x")
    with pytest.raises(InputError, match="no published plan"):
        published_plan(population=100, aql="1.1")
