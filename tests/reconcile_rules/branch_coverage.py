"""Branch coverage of the judging code by the tests of this folder; leaves with 1 where it is not whole.

``python tests/reconcile_rules/branch_coverage.py``
"""

from __future__ import annotations

import sys
from pathlib import Path

import coverage
import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))


def measure() -> int:
    """Run the tests of this folder under coverage and print what is not covered; 1 where something is not."""
    measured = coverage.Coverage(branch=True, source=["reconcile"], data_file=None, config_file=False)
    measured.exclude("if TYPE_CHECKING:")
    measured.start()  # before anything of the project is imported, or its first lines would not count
    from reconcile.judging_code import judging_files

    wanted = [str(ROOT / "reconcile" / path) for path in judging_files() if path.endswith(".py")]
    code = pytest.main(["-q", "-p", "no:cacheprovider", "-p", "no:cov", str(ROOT / "tests" / "reconcile_rules")])
    measured.stop()
    whole = measured.report(include=wanted, show_missing=True, skip_covered=True, precision=2)
    return int(code) or int(whole < 100.0)


if __name__ == "__main__":
    raise SystemExit(measure())
