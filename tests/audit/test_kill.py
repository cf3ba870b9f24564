"""Whatever call a command is killed at, its book opens, loses nothing, and the command can be run again."""

from __future__ import annotations

import json
import platform
import subprocess
import sys
from pathlib import Path

import pytest

SWEEP = Path(__file__).with_name("kill_sweep.py")

traced = pytest.mark.skipif(
    (sys.platform, platform.machine()) != ("linux", "x86_64"), reason="system calls are traced on Linux, x86-64 only"
)


def sweep(action: str, folder: Path, *, first: int, every: int, mode: str) -> int:
    """How many deaths there were; every one of them left what it should."""
    command = [sys.executable, str(SWEEP), action, str(folder), str(first), str(every), mode]
    answer = subprocess.run(command, capture_output=True, text=True, check=False, timeout=900)
    assert answer.returncode == 0, answer.stderr
    *deaths, last = [json.loads(line) for line in answer.stdout.splitlines()]
    assert [death for death in deaths if death["wrong"]] == []
    assert last["peaceful"]["evidence"] >= 2
    assert last["peaceful"]["readings"] >= 20
    assert last["deaths"] == len(deaths)
    return len(deaths)


@traced
def test_killed_here_and_there(tmp_path: Path) -> None:
    assert sweep("import", tmp_path, first=5, every=60, mode="torn") >= 2


@traced
@pytest.mark.slow
@pytest.mark.parametrize(
    ("action", "mode"),
    [("first import", "torn"), ("import", "before"), ("jobs", "torn"), ("certify", "before"), ("review", "torn")],
)
def test_killed_at_calls_all_through(action: str, mode: str, tmp_path: Path) -> None:
    # Every call in both modes takes half an hour: python tests/audit/kill_sweep.py does that for one action.
    every = 5 if action == "review" else 37
    assert sweep(action, tmp_path, first=2 if mode == "torn" else 1, every=every, mode=mode) >= 2
