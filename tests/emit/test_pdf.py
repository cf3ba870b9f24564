"""The PDF of a certificate, read by pypdf, a PDF reader from PyPI."""

from __future__ import annotations

import io
import re

import pytest
from pypdf import PdfReader

from cli.pages.render import render_pdf
from reconcile.emit.dataset import Dataset
from schemas.certificate_record import CertificateRecord


@pytest.fixture(scope="module")
def records(dataset: Dataset) -> dict[str, CertificateRecord]:
    return {record.appliance.appliance_id: record for record in dataset.records}


def text_of(content: bytes) -> str:
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(content)).pages]
    return re.sub(r"\s+", " ", " ".join(pages)).replace("\u00a0", " ")


def test_same_record_same_bytes(records: dict[str, CertificateRecord]) -> None:
    for record in records.values():
        assert render_pdf(record) == render_pdf(record.model_copy(deep=True))


def test_the_paper_is_a4_and_dated_by_its_evidence(records: dict[str, CertificateRecord]) -> None:
    reader = PdfReader(io.BytesIO(render_pdf(records["A-101"])))
    for page in reader.pages:
        assert [round(float(side) * 25.4 / 72) for side in page.mediabox[2:]] == [210, 297]
    assert reader.metadata is not None
    assert reader.metadata["/CreationDate"].startswith("D:20310402173000")


def test_nothing_in_it_is_run_or_fetched(records: dict[str, CertificateRecord]) -> None:
    for record in records.values():
        content = render_pdf(record)
        assert not re.search(rb"/(JavaScript|JS|URI|Launch|EmbeddedFile)\b", content)


def test_it_says_the_same_as_the_record(records: dict[str, CertificateRecord]) -> None:
    for record in records.values():
        text = text_of(render_pdf(record))
        assert record.certificate.outcome.capitalize() in text
        assert "R. Ŵyn" in text
        squeezed = text.replace(" ", "")
        for sentence in (*record.cautions, *record.not_shown):
            assert sentence.replace(" ", "") in squeezed
        for check in record.certificate.checks:
            assert check.title.replace(" ", "") in squeezed
        for finding in record.certificate.findings:
            assert finding.message.replace(" ", "") in squeezed
            assert finding.action.replace(" ", "") in squeezed
        for item in record.evidence:
            assert item.sha256 in squeezed
        assert text.count("Signature") == 2
    assert "0.42 Ω" in text_of(render_pdf(records["A-101"]))
    assert "> 999 MΩ" in text_of(render_pdf(records["A-101"]))


def test_dangers_come_before_the_checks(records: dict[str, CertificateRecord]) -> None:
    text = text_of(render_pdf(records["A-102"]))
    assert 0 < text.index("Danger") < text.index("What was tested") < text.index("Checks")
    assert "Danger" not in text_of(render_pdf(records["A-101"]))


def test_a_letter_that_the_font_lacks_is_written_as_its_code(records: dict[str, CertificateRecord]) -> None:
    record = records["A-101"]
    job = record.job.model_copy(update={"site": "中 Lane"})
    assert "<U+4E2D> Lane" in text_of(render_pdf(record.model_copy(update={"job": job})))


def test_a_very_long_cell_is_cut_and_says_so(records: dict[str, CertificateRecord]) -> None:
    record = records["A-101"]
    long = record.readings[0].model_copy(update={"raw_text": "9" * 5000})
    text = text_of(render_pdf(record.model_copy(update={"readings": (long, *record.readings[1:])})))
    assert "5000 characters, all of them in the JSON file" in re.sub(r"\s+", " ", text)
    assert "R14" in text


def test_it_never_calls_anything_safe(records: dict[str, CertificateRecord]) -> None:
    for record in records.values():
        assert "safe" not in text_of(render_pdf(record)).lower()
