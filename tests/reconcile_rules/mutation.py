"""Mutation testing of the judging code: every mutant against the tests of this folder, survivors against a list.

``python tests/reconcile_rules/mutation.py [--results FILE] [--fresh] [PATH ...]``, where a PATH begins a path below
``reconcile`` (``verdicts``, ``uncertainty.py``; without one: all judging code). Leaves with 1 where a mutant survives
that ``survivors.toml`` gives no reason for, or where the list has one that is killed or no longer there.

The tests are collected and run once, with the lines that each of them runs. Then each mutant is put in place in a fork
of that process, which runs the tests that come by its statement, the quickest first, until one fails. Results go into
a file, so that a run that was stopped goes on where it was: a mutant that was killed is not tried again as long as its
function stays as it was (``--fresh`` tries all, the test that killed it first). It needs Linux or another Unix.
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import resource
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Iterable, Sequence
from functools import _lru_cache_wrapper
from pathlib import Path
from typing import Any

import coverage
import pytest
from _pytest.runner import runtestprotocol
from hypothesis import Phase, settings

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
HERE = Path(__file__).parent
LEFT_OUT = ("test_whole_visits.py", "test_properties.py", "test_rule_cases.py", "test_parts.py")
"""Tests that take long, or say of the named cases what ``test_told.py`` says of them in full."""
STRONG = ("test_told.py::test_every_part_of_a_whole_visit", "test_single_functions.py", "test_case_order.py")
"""Tests that come first: of whole visits in which every part is compared, and of single functions."""
SURVIVORS = HERE / "survivors.toml"

from tests.reconcile_rules.mutants import Mutant, find_mutants, line_places  # noqa: E402


class Run:
    """A pytest plugin: in place of the usual run, all tests once and then each mutant in a fork."""

    def __init__(self, mutants: Sequence[Mutant], results: Path, *, fresh: bool, budget_s: float) -> None:
        self.mutants, self.results, self.fresh, self.budget_s = mutants, results, fresh, budget_s
        self.known: dict[str, str] = dict(read_results(results))
        self.killed_by: dict[str, str] = {}
        self.kills: dict[tuple[str, str], Counter[str]] = {}
        self.left: list[Mutant] = []

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Watch the tests, then try the mutants."""
        self.items = {item.nodeid: item for item in session.items}
        self.watch()
        gc.freeze()
        with self.results.open("a", encoding="utf-8") as file:
            for number, mutant in enumerate(self.mutants, 1):
                before = self.known.get(mutant.key, "")
                killer = before if before and not self.fresh else self.attempt(mutant, before)
                file.write(json.dumps([mutant.key, killer]) + "\n")
                file.flush()
                if killer:
                    self.killed_by[mutant.key] = killer
                    self.kills.setdefault((mutant.path, mutant.function), Counter())[killer] += 1
                else:
                    self.left.append(mutant)
                    print(f"{number}/{len(self.mutants)} survives:", *mutant.place, sep="\n  ", flush=True)
        return True

    def watch(self) -> None:
        """Run every test once for the time it takes and the lines of judging code that it comes by.

        What was seen is kept beside the results, the lines by their text; only new tests are run again.
        """
        kept = self.results.with_suffix(".lines.json")
        seen = json.loads(kept.read_text(encoding="utf-8")) if kept.exists() and not self.fresh else {}
        self.taken_s: dict[str, float] = seen.get("taken_s", {})
        self.lines: dict[str, list[int]] = seen.get("lines", {})
        watched = coverage.Coverage(data_file=None, include=[str(ROOT / "reconcile" / "*")], config_file=False)
        watched.start()
        for name in [name for name in self.items if name not in self.taken_s]:
            forget()
            watched.switch_context(name)
            began = time.process_time()
            if not passes(self.items[name]):
                raise pytest.UsageError(f"{name} fails without any mutant")
            self.taken_s[name] = round(time.process_time() - began, 4)
        watched.stop()
        self.names = list(self.taken_s)
        numbers, data = {name: number for number, name in enumerate(self.names)}, watched.get_data()
        for file in data.measured_files():
            path, names_of = Path(file).relative_to(ROOT / "reconcile").as_posix(), data.contexts_by_lineno(file)
            for place, line in line_places(path):
                found = [numbers[name] for name in names_of.get(line, ()) if name]
                self.lines[place] = sorted({*self.lines.get(place, ()), *found})
        kept.write_text(json.dumps({"taken_s": self.taken_s, "lines": self.lines}), encoding="utf-8")

        self.rare = rarity(self.lines.values())

    def tests_of(self, mutant: Mutant, first: str) -> list[str]:
        """The tests that come by the mutant's statement, as many as there is time for, after the one that killed it
        before: first those that killed others in the same function, then whole visits in which every part is compared,
        then those that see most of what few see there.
        """
        whole = f"{mutant.path}:{mutant.function}:"
        inside = {place: found for place, found in self.lines.items() if place.startswith(whole)}
        met = {number for place in mutant.places for number in inside.get(place, ())}
        if not met:  # a line that was not there when the tests were watched
            met = {number for found in inside.values() for number in found}
        rare = rarity(inside.values())
        kills = self.kills.setdefault((mutant.path, mutant.function), Counter())
        ordered = [self.names[number] for number in sorted(met, key=lambda number: (
            -kills[self.names[number]], not any(word in self.names[number] for word in STRONG),
            -(rare[number] + 0.1 * self.rare[number]) / (0.02 + self.taken_s[self.names[number]])))]  # fmt: skip
        chosen, spent_s = [first] if first in self.items else [], 0.0
        for name in ordered:
            if name in self.items and spent_s + self.taken_s[name] <= self.budget_s:
                spent_s += self.taken_s[name]
                chosen.append(name)
        return chosen

    def attempt(self, mutant: Mutant, first: str) -> str:
        """The name of the first test that fails with the mutant, or what else ended it; empty where it survives."""
        names = self.tests_of(mutant, first)
        reader, writer = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reader)
            try:
                self.try_in_fork(mutant, names, writer)
            finally:
                os._exit(0)
        os.close(writer)
        with os.fdopen(reader, encoding="utf-8") as pipe:
            told = pipe.read()
        os.waitpid(child, 0)
        last = told.removesuffix("\n").rpartition("\n")[2].removeprefix("begins ")
        return "" if last == "survives" else last or "ended before it began"

    def try_in_fork(self, mutant: Mutant, names: Sequence[str], writer: int) -> None:
        """Run the tests with the mutant and say what came of it; what is ended by force has said where it was."""
        limit_s = 20 + 5 * round(sum(self.taken_s[name] for name in names))
        resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s + 5))
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        os.dup2(nowhere, 2)
        try:
            mutant.put_in_place()
        except Exception:
            os.write(writer, b"cannot be put in place")
            return
        forget()
        for name in names:
            os.write(writer, f"begins {name}\n".encode())
            if not passes(self.items[name]):
                os.write(writer, name.encode())
                return
        os.write(writer, b"survives")


def rarity(lines: Iterable[list[int]]) -> Counter[int]:
    """For each test by its number, how much it comes by that few others do: every line has one share to give away."""
    found = Counter[int]()
    for numbers in lines:
        found.update(dict.fromkeys(numbers, 1.0 / len(numbers)) if numbers else {})
    return found


def passes(item: Any) -> bool:
    """True where the test does not fail."""
    return not any(report.failed for report in runtestprotocol(item, log=False, nextitem=None))


def forget() -> None:
    """Empty every cache of the program and its tests: what was remembered was found without the mutant."""
    for name, module in list(sys.modules.items()):
        if name.startswith(("reconcile.", "tests.", "test_")):
            for value in list(vars(module).values()):
                if isinstance(value, _lru_cache_wrapper):
                    value.cache_clear()


def read_results(path: Path) -> list[tuple[str, str]]:
    """What is known of mutants by their key: the test that killed each, or nothing; the last word counts."""
    if not path.exists():
        return []
    return [tuple(json.loads(line)) for line in path.read_text(encoding="utf-8").splitlines()]


def read_reasons() -> dict[tuple[str, str, str, str], str]:
    """Why each listed survivor may be one, by its place."""
    listed = tomllib.loads(SURVIVORS.read_text(encoding="utf-8"))["reason"] if SURVIVORS.exists() else []
    return {tuple(place): reason["why"] for reason in listed for place in reason["mutants"]}


def main() -> int:
    """Run what the arguments name and print the count and what has no reason; 1 where something is amiss."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("paths", nargs="*", default=[""], metavar="PATH")
    parser.add_argument("--results", type=Path, default=Path(tempfile.gettempdir()) / "provebook-mutants.jsonl")
    parser.add_argument("--fresh", action="store_true")
    parser.add_argument("--budget-s", type=float, default=4.0)
    given = parser.parse_args()
    settings.register_profile("mutants", derandomize=True, database=None, phases=[Phase.explicit, Phase.generate])
    settings.load_profile("mutants")
    from reconcile.judging_code import judging_files

    paths = [path for path in judging_files() if path.endswith(".py") and path.startswith(tuple(given.paths))]
    mutants = [mutant for path in paths for mutant in find_mutants(path)]
    run = Run(mutants, given.results, fresh=given.fresh, budget_s=given.budget_s)
    options = ["-q", "-s", "-p", "no:cacheprovider", "-p", "no:cov", "-p", "no:xdist"]
    code = pytest.main([*options, str(HERE), *(f"--ignore={HERE / name}" for name in LEFT_OUT)], plugins=[run])
    if code not in (0, pytest.ExitCode.NO_TESTS_COLLECTED):
        return int(code)
    reasons = read_reasons()
    places = {mutant.place for mutant in run.left}
    for mutant in run.left:
        if mutant.place not in reasons:
            print("survives without a reason:", *mutant.place, sep="\n  ")
    stale = [place for place in reasons if place[0] in paths and place not in places]
    for place in stale:
        print("listed and not among the survivors:", *place, sep="\n  ")
    without = sum(mutant.place not in reasons for mutant in run.left)
    print(f"{len(mutants)} mutants, {len(run.killed_by)} killed, {len(run.left)} survive, {without} without a reason")
    return int(bool(without or stale))


if __name__ == "__main__":
    raise SystemExit(main())
