"""The smallest spreadsheets that other programs open, written by hand: sheets, numbers, texts, moments."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping, Sequence
from datetime import datetime
from xml.sax.saxutils import escape

Cell = str | float | datetime | None
FIXED = (2031, 4, 2, 0, 0, 0)
NAMES = "http://schemas.openxmlformats.org"


def archive(members: Mapping[str, str]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as target:
        for name, content in members.items():
            target.writestr(zipfile.ZipInfo(name, FIXED), content)
    return buffer.getvalue()


def xlsx(sheets: Mapping[str, Sequence[Sequence[Cell]]]) -> bytes:
    """An Office Open XML workbook (ECMA-376) with inline strings; moments have a date format."""
    listed = "".join(
        f'<sheet name="{escape(name)}" sheetId="{number}" r:id="rId{number}"/>' for number, name in enumerate(sheets, 1)
    )
    related = "".join(
        f'<Relationship Id="rId{number}" Type="{NAMES}/officeDocument/2006/relationships/worksheet" '
        f'Target="worksheets/sheet{number}.xml"/>'
        for number in range(1, len(sheets) + 1)
    )
    styles = f'<Relationship Id="rId99" Type="{NAMES}/officeDocument/2006/relationships/styles" Target="styles.xml"/>'
    members = {
        "[Content_Types].xml": '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="xml" ContentType="application/xml"/></Types>',
        "_rels/.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        f'<Relationship Id="rId1" Type="{NAMES}/officeDocument/2006/relationships/officeDocument" '
        'Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{NAMES}/spreadsheetml/2006/main" '
        f'xmlns:r="{NAMES}/officeDocument/2006/relationships"><sheets>{listed}</sheets></workbook>',
        "xl/_rels/workbook.xml.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        f"{related}{styles}</Relationships>",
        "xl/styles.xml": f'<styleSheet xmlns="{NAMES}/spreadsheetml/2006/main"><cellXfs count="2">'
        '<xf numFmtId="0"/><xf numFmtId="22" applyNumberFormat="1"/></cellXfs></styleSheet>',
    }
    for number, rows in enumerate(sheets.values(), 1):
        body = "".join(
            f'<row r="{at}">{"".join(_xlsx_cell(cell, place, at) for place, cell in enumerate(row))}</row>'
            for at, row in enumerate(rows, 1)
        )
        members[f"xl/worksheets/sheet{number}.xml"] = (
            f'<worksheet xmlns="{NAMES}/spreadsheetml/2006/main"><sheetData>{body}</sheetData></worksheet>'
        )
    return archive(members)


def _xlsx_cell(cell: Cell, place: int, at: int) -> str:
    where = f"{chr(ord('A') + place)}{at}"
    if cell is None:
        return ""
    if isinstance(cell, str) and cell.startswith("#") and cell.endswith("!"):
        return f'<c r="{where}" t="e"><v>{cell}</v></c>'
    if isinstance(cell, str):
        return f'<c r="{where}" t="inlineStr"><is><t>{escape(cell)}</t></is></c>'
    if isinstance(cell, datetime):
        days = (cell - datetime(1899, 12, 30)).total_seconds() / 86400
        return f'<c r="{where}" s="1"><v>{days!r}</v></c>'
    return f'<c r="{where}"><v>{cell!r}</v></c>'


def ods(sheets: Mapping[str, Sequence[Sequence[Cell]]]) -> bytes:
    """An OpenDocument spreadsheet (ISO/IEC 26300)."""
    tables = "".join(
        f'<table:table table:name="{escape(name)}">'
        + "".join(f"<table:table-row>{''.join(_ods_cell(cell) for cell in row)}</table:table-row>" for row in rows)
        + "</table:table>"
        for name, rows in sheets.items()
    )
    return open_document(tables)


def open_document(tables: str) -> bytes:
    """An OpenDocument spreadsheet with these tables."""
    content = (
        '<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
        'xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0" '
        'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
        'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" office:version="1.2">'
        f"<office:body><office:spreadsheet>{tables}</office:spreadsheet></office:body></office:document-content>"
    )
    return archive({
        "mimetype": "application/vnd.oasis.opendocument.spreadsheet",
        "content.xml": content,
        "META-INF/manifest.xml": '<manifest:manifest '
        'xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>',
    })  # fmt: skip


def _ods_cell(cell: Cell) -> str:
    if cell is None:
        return "<table:table-cell/>"
    kind, text = "string", escape(str(cell))
    if isinstance(cell, datetime):
        kind = f'date" office:date-value="{cell.isoformat()}'
    elif not isinstance(cell, str):
        kind = f'float" office:value="{cell!r}'
    return f'<table:table-cell office:value-type="{kind}"><text:p>{text}</text:p></table:table-cell>'
