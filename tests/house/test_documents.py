"""Made documents are fresh: what stands in README.md and RULES.md is what the program says today."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

HERE = Path(__file__).resolve().parent


@pytest.fixture(scope="module")
def made() -> ModuleType:
    spec = importlib.util.spec_from_file_location("made_documents", HERE / "made_documents.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_rules_page_is_fresh(made: ModuleType) -> None:
    assert made.RULES.read_text(encoding="utf-8") == made.made_rules(), "run tests/house/made_documents.py"


def test_readme_is_fresh(made: ModuleType) -> None:
    assert made.README.read_text(encoding="utf-8") == made.made_readme(), "run tests/house/made_documents.py"
