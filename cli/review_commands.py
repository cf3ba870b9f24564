"""The command for open questions."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.options import DEFAULT_BOOK, BookOption

review_app = typer.Typer()


@review_app.command()
def review(
    book: BookOption = DEFAULT_BOOK,
    list_them: Annotated[
        bool, typer.Option("--list", help="Print the open questions as CSV, and ask nothing.")
    ] = False,
    apply: Annotated[Path | None, typer.Option("--apply", help="Take the answers of this CSV.")] = None,
) -> int:
    """The open questions, one by one.

    An answer is kept in the book with who, when and why; a later one undoes it (question id undo:DECISION).

    Example: provebook review --list > questions.csv

    Example: provebook review --apply questions.csv
    """
    from cli import review as asking
    from ingest.book import Book

    if list_them:
        return asking.list_questions(Book(book))
    if apply is not None:
        return asking.apply_answers(Book(book), apply)
    return asking.review(Book(book))
