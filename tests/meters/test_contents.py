"""Marks and copies against plain dictionaries and counters, for any positions and any order of arrival."""

from __future__ import annotations

from collections import Counter, defaultdict

from hypothesis import given
from hypothesis import strategies as st

from ingest.contents import MOST_COUNTED, Copies, Marks, content_mark

positions = st.one_of(st.integers(0, 300), st.integers(0, 1 << 40))
contents = st.sampled_from(["R;1;a", "R;1;b", "R;1;c"])


@given(st.lists(st.tuples(positions, st.integers(0, (1 << 64) - 1)), max_size=60))
def test_marks_are_a_map_that_forgets_zero(pairs):
    marks, plain = Marks(), {}
    for position, number in pairs:
        marks[position] = number
        plain[position] = number
    held = {position: number for position, number in plain.items() if number}
    assert list(marks) == sorted(held)
    assert len(marks) == len(held)
    assert {position: marks[position] for position in marks} == held
    assert all((position in marks) == (position in held) for position in [*plain, 5, 1 << 41])
    other = Marks()
    other[7] = 1
    other.update(marks)
    assert {position: other[position] for position in other} == {7: 1} | held


@given(st.lists(st.tuples(st.one_of(positions, st.none()), contents), max_size=60))
def test_copies_count_as_counters_do(arrived):
    copies, plain = Copies(), defaultdict(Counter)
    for position, raw in arrived:
        plain[position][content_mark(raw)] += 1
        assert copies.add(position, content_mark(raw)) == plain[position][content_mark(raw)]
    assert copies.contents() == sum(len(counted) for counted in plain.values())
    assert list(copies) == sorted(position for position in plain if position is not None)
    for position, counted in plain.items():
        ordered = counted.most_common()
        assert copies.of(position) == ordered
        alone = len(ordered) == 1 or ordered[1][1] < ordered[0][1]
        assert copies.agreed(position) == (ordered[0][0] if ordered[0][1] >= 2 and alone else 0)
        assert position in copies
        if position is not None:
            assert copies.newest(position) == list(counted)[-1]
    assert copies.of(-1) == []
    assert -1 not in copies


def test_a_record_sent_for_ever_is_counted_up_to_a_bound():
    copies = Copies()
    for _ in range(MOST_COUNTED + 10):
        times = copies.add(3, 9)
    assert times == MOST_COUNTED
    assert copies.agreed(3) == 9
