"""The commands: thin, each a few lines around cli.pipeline; heavy libraries are imported only when one runs."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.audit_commands import audit_app
from cli.exit_codes import COULD_NOT, DONE, NEEDS_A_PERSON
from cli.meter_commands import meter_app
from cli.options import (
    DEFAULT_BOOK,
    BookOption,
    DateOrderOption,
    JsonOption,
    PathsArgument,
    PdfOption,
    ProfileOption,
    TablesOption,
    ZoneOption,
)
from cli.profile_commands import profile_app
from cli.review_commands import review_app

if TYPE_CHECKING:
    from cli.inputs import Inputs
    from cli.pipeline import Derived, Report, Taken
    from ingest.book import Book
    from schemas.errors import ProvebookError

app = typer.Typer(
    name="provebook",
    help=(
        "Joins test-meter readings to gas-appliance jobs and judges them into traceable electrical test certificates. "
        "It says what the readings show, never that anything may be touched or used."
    ),
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


@app.command()
def run(
    folder: Annotated[Path, typer.Argument(help="Folder with exports, job list, attestations, meter register.")],
    book: BookOption = DEFAULT_BOOK,
    out: Annotated[Path | None, typer.Option("--out", help="Dataset folder; default FOLDER/certificates.")] = None,
    profile: ProfileOption = None,
    zone: ZoneOption = None,
    date_order: DateOrderOption = None,
    tables: TablesOption = "csv",
    pdf: PdfOption = None,
    json: JsonOption = False,
) -> int:
    """The whole job on a folder, from exports to certificates.

    Example: provebook run sample_exports/plain_day
    """
    from cli import pipeline
    from cli.inputs import find_inputs
    from ingest.book import Book
    from schemas.errors import InputError

    out = out or folder / "certificates"
    inputs = find_inputs([folder], skip=[out, book])
    if not (inputs.exports or inputs.office or inputs.errors):
        raise InputError(
            "nothing here can be taken in", where=str(folder), seen=", ".join(inputs.left_alone),
            advice="a folder with exports (.csv and others) and a job list (jobs.csv, appliances.csv)",
        )  # fmt: skip
    home = Book(book)
    taken = _take_in(home, inputs, profile, zone, date_order)
    derived = pipeline.derive(home, pipeline.run_scope(taken))
    written = pipeline.certify(derived, out, book=home, tables=tables, pdf=pdf)
    book_zone = None if zone else home.zone.key
    report = pipeline.Report(taken=taken, derived=derived, out=out, written=tuple(written), book_zone=book_zone)
    _report(json, report)
    return _exit_code(taken, derived)


@app.command(name="import")
def import_(
    paths: PathsArgument,
    book: BookOption = DEFAULT_BOOK,
    profile: ProfileOption = None,
    zone: ZoneOption = None,
    date_order: DateOrderOption = None,
    json: JsonOption = False,
) -> int:
    """Export files or folders into the book.

    The same bytes twice are kept once.

    Example: provebook import exports/2031 --zone Europe/London
    """
    from cli import pipeline
    from cli.inputs import find_inputs
    from ingest.book import Book

    inputs = find_inputs(paths, skip=[book])
    inputs.left_alone += [name for _, name, _ in inputs.office]
    inputs.office = []
    home = Book(book)
    taken = _take_in(home, inputs, profile, zone, date_order)
    _report(json, pipeline.Report(taken=taken, book_zone=None if zone else home.zone.key))
    return _exit_code(taken)


@app.command()
def jobs(paths: PathsArgument, book: BookOption = DEFAULT_BOOK, json: JsonOption = False) -> int:
    """Job list, attestations, meter register into the book.

    Example: provebook jobs office/jobs.csv office/appliances.csv meters.toml
    """
    from cli import pipeline
    from cli.inputs import find_inputs
    from ingest.book import Book
    from ingest.office import read_office

    inputs = find_inputs(paths, skip=[book])
    inputs.left_alone += [name for _, name in inputs.exports]
    inputs.exports = []
    home = Book(book)
    taken = _take_in(home, inputs, None, None, None)
    _report(json, pipeline.Report(taken=taken, office=read_office(home, only=taken.lists)))
    return _exit_code(taken)


@app.command()
def reconcile(book: BookOption = DEFAULT_BOOK, json: JsonOption = False) -> int:
    """Match, flag and judge the book; print the day.

    Example: provebook reconcile --book ./book
    """
    from cli import pipeline
    from ingest.book import Book

    derived = pipeline.derive(Book(book))
    _report(json, pipeline.Report(derived=derived))
    return _exit_code(None, derived)


@app.command()
def certify(
    book: BookOption = DEFAULT_BOOK,
    out: Annotated[Path, typer.Option("--out", help="Dataset folder.")] = Path("certificates"),
    tables: TablesOption = "csv",
    pdf: PdfOption = None,
    json: JsonOption = False,
) -> int:
    """Write the dataset of the book.

    Tables, certificate records and pages for people.

    Example: provebook certify --out certificates
    """
    from cli import pipeline
    from ingest.book import Book

    home = Book(book)
    derived = pipeline.derive(home)
    written = pipeline.certify(derived, out, book=home, tables=tables, pdf=pdf)
    _report(json, pipeline.Report(derived=derived, out=out, written=tuple(written), brief=True))
    return _exit_code(None, derived)


def _take_in(home: Book, inputs: Inputs, profile: str | None, zone: str | None, date_order: str | None) -> Taken:
    from cli import pipeline
    from cli.progress import told

    word = pipeline.OperatorWord(profile=profile, zone=zone, date_order=date_order)
    with told("reading", len(inputs.exports)) as progress:
        taken = pipeline.take_in(home, inputs, word=word, progress=progress)
    _complain(taken.errors)
    return taken


def _complain(errors: Sequence[ProvebookError]) -> None:
    from cli.text import printable_lines

    for error in errors:
        print(f"error: {printable_lines(error.sentence())}", file=sys.stderr)


def _report(json: bool, report: Report) -> None:
    if json:
        from cli.machine import result_json

        print(result_json(report))
    else:
        from cli.show import report_lines

        print(report_lines(report))


def _exit_code(taken: Taken | None, derived: Derived | None = None) -> int:
    if derived is not None:
        _complain(derived.office.errors)
    if (taken is not None and taken.errors) or (derived is not None and derived.office.errors):
        return COULD_NOT
    refused = taken is not None and bool(taken.files["refusals"].sum())
    return NEEDS_A_PERSON if refused or (derived is not None and derived.needs_a_person) else DONE


app.add_typer(review_app)
app.add_typer(meter_app)
app.add_typer(audit_app)
app.add_typer(profile_app, name="profile")
