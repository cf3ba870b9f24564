"""Parts of documents that are made, not written: run this file to renew them; test_documents.py compares.

``python tests/house/made_documents.py`` rewrites ``reconcile/rules/RULES.md`` and the marked parts of README.md.
"""

from __future__ import annotations

import io
import re
import shutil
import sys
import tempfile
from collections.abc import Callable
from contextlib import redirect_stdout
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

RULES = ROOT / "reconcile" / "rules" / "RULES.md"
README = ROOT / "README.md"


def printed(day: str) -> str:
    """What ``provebook run`` prints for a sample, with the paths of a checkout."""
    from cli.__main__ import run

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / day
        shutil.copytree(ROOT / "sample_exports" / day, folder, ignore=shutil.ignore_patterns("certificates"))
        out = io.StringIO()
        with redirect_stdout(out):
            run(["run", str(folder), "--book", str(Path(place) / "book")])
        return out.getvalue().replace(str(folder), f"sample_exports/{day}").rstrip()


def plain_day() -> str:
    """The whole report of the plain day."""
    return f"```\n{printed('plain_day')}\n```"


def bad_day() -> str:
    """Two visits of the bad day."""
    lines = printed("bad_day").split("\n")
    head = next(line for line in lines if line.lstrip().startswith("before "))
    begin = next(place for place, line in enumerate(lines) if "J-205" in line)
    end = next(place for place, line in enumerate(lines) if "J-207" in line)
    shown = "\n".join([head, "", *lines[begin : end - 1]])
    return f"```\n{shown}\n```"


def checks() -> str:
    """Every check with what passes, limits, sources."""
    from reconcile.pack import DEFAULT_PACK, load_pack
    from reconcile.rules.page import render_checks

    return render_checks(load_pack(DEFAULT_PACK)).rstrip()


PARTS: dict[str, Callable[[], str]] = {"plain day": plain_day, "bad day": bad_day, "checks": checks}


def made_readme() -> str:
    """README.md with every marked part made anew."""
    text = README.read_text(encoding="utf-8")
    for name, make in PARTS.items():
        block = re.compile(rf"(<!-- made: {name} -->\n).*?(\n<!-- end -->)", re.DOTALL)
        if not block.search(text):
            raise SystemExit(f"README.md has no part marked {name!r}")
        content = make()
        text = block.sub(lambda found, content=content: found[1] + content + found[2], text)
    return text


def made_rules() -> str:
    """The page of rules, limits and choices."""
    from reconcile.rules.page import render_page

    return render_page()


if __name__ == "__main__":
    RULES.write_text(made_rules(), encoding="utf-8")
    README.write_text(made_readme(), encoding="utf-8")
