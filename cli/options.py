"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

import typer

BookOption = Annotated[
    Path, typer.Option("--book", envvar="PROVEBOOK_BOOK", help="Folder that holds evidence and decisions.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
ProfileOption = Annotated[str | None, typer.Option("--profile", help="Read with this meter profile.")]
ZoneOption = Annotated[
    str | None, typer.Option("--zone", help="Time zone of times that say none, such as Europe/London.")
]
DateOrderOption = Annotated[
    str | None, typer.Option("--date-order", help="Order of day and month where a file leaves it open: dmy or mdy.")
]
TablesOption = Annotated[str, typer.Option("--tables", help="Tables of the dataset: csv, parquet or both.")]
PdfOption = Annotated[
    bool | None,
    typer.Option("--pdf/--no-pdf", help="A PDF beside each HTML page; without either up to 100 certificates have one."),
]
PathsArgument = Annotated[list[Path], typer.Argument(help="Files or folders.", show_default=False)]
LinkArgument = Annotated[
    str, typer.Argument(help="serial:PATH, ble:ADDRESS, demo:KIND or a pyserial URL.", show_default=False)
]
DEFAULT_BOOK: Final = Path("book")
