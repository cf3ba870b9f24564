"""Pages for people: a certificate as HTML, the day as HTML, a certificate as PDF."""

from __future__ import annotations

import base64
import hashlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from cli.pages.view import SEVERITY_TITLES, view_certificate
from cli.pages.wording import count_text, moment_text, name_text, period_text, value_text, visible_text
from reconcile.emit.day import Day
from reconcile.emit.names import certificate_stems
from reconcile.emit.rows import Row
from schemas.certificate_record import CertificateRecord


class Pages(Mapping[str, bytes]):
    """The pages of a dataset by path, each made when it is asked for, so that thousands need not fit in memory."""

    def __init__(self, records: Sequence[CertificateRecord], day: Day, *, pdf: bool = False) -> None:
        stems = certificate_stems([record.certificate.certificate_id for record in records])
        endings = ("html", "pdf") if pdf else ("html",)
        self._day = day
        self._records = {
            f"certificates/{stems[record.certificate.certificate_id]}.{ending}": record
            for record in records
            for ending in endings
        }

    def __getitem__(self, path: str) -> bytes:
        """The page at that path."""
        if path == "index.html":
            return render_index(self._day)
        render = render_pdf if path.endswith(".pdf") else render_certificate
        return render(self._records[path])

    def __iter__(self) -> Iterator[str]:
        """All paths, the first page first."""
        return iter(["index.html", *self._records])

    def __len__(self) -> int:
        """How many pages."""
        return 1 + len(self._records)


def render_certificate(record: CertificateRecord) -> bytes:
    """One certificate as a self-contained HTML page, UTF-8."""
    return render_template("certificate.html", view=view_certificate(record))


def render_index(day: Day) -> bytes:
    """The day at a glance as a self-contained HTML page, UTF-8, with links to ``certificates/``."""
    return render_template("index.html", day=day)


def render_pdf(record: CertificateRecord) -> bytes:
    """One certificate as PDF, A4. The same record gives the same bytes with the same version of fpdf2."""
    from cli.pages.pdf import draw_certificate

    made_at = max(item.received_at for item in record.evidence)
    return draw_certificate(view_certificate(record), made_at)


def render_template(name: str, **values: Any) -> bytes:
    """One template with the style sheet inside; only that style sheet may apply, and nothing may be loaded."""
    style = style_sheet()
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    return load_templates().get_template(name).render(style=Markup(style), policy=Markup(policy), **values).encode()


@cache
def style_sheet() -> str:
    """The style sheet of every page, as it stands between the style tags."""
    return files("cli.pages").joinpath("style.css").read_text(encoding="utf-8")


@cache
def load_templates() -> Environment:
    """The templates; every value is escaped, and a name that is not there is an error, not a blank."""
    environment = Environment(
        loader=PackageLoader("cli", "pages"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=show_value,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= {
        "count": count_text,
        "moment": moment_text,
        "words": name_text,
        "severity": SEVERITY_TITLES.__getitem__,
        "by_code": count_codes,
    }
    environment.globals |= {"period": period_text, "value_text": value_text}
    return environment


def count_codes(findings: Sequence[Row]) -> list[tuple[str, list[tuple[str, int]]]]:
    """Severities that need a person, each with its codes and how often; the order is the one of the findings."""
    counted: dict[str, Counter[str]] = {}
    for finding in findings:
        if finding["severity"] != "note":
            counted.setdefault(finding["severity"], Counter())[finding["code"]] += 1
    return [(severity, list(codes.items())) for severity, codes in counted.items()]


def show_value(value: Any) -> Any:
    """A value as the page shows it: control characters become visible signs."""
    return visible_text(value) if type(value) is str else value
