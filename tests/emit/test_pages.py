"""Pages for people: well-formed, closed to the network, hostile text harmless, dangers first, readable by everyone."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from cli.pages.render import Pages, render_certificate, render_index, style_sheet
from reconcile.emit.dataset import Dataset
from reconcile.emit.day import Day
from schemas.certificate_record import CertificateRecord

VOID = {"meta", "br", "path", "circle", "rect"}
"""Elements that this project's pages never close: void elements of HTML, and SVG elements written with ``/>``."""


class Outline(HTMLParser):
    """What a page is made of; raises AssertionError where an element is closed that was not the last one opened."""

    def __init__(self, page: bytes) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.headings: list[tuple[int, str]] = []
        self.feed(page.decode("utf-8"))
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        assert len(dict(attrs)) == len(attrs), f"an attribute twice in {tag}"
        if tag not in VOID:
            self.open.append(tag)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append((int(tag[1]), ""))

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" in self.open:
            return
        self.texts.append(data)
        if self.open and re.fullmatch("h[1-6]", self.open[-1]):
            self.headings[-1] = (self.headings[-1][0], (self.headings[-1][1] + data).strip())

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.texts))

    def values(self, attribute: str) -> list[str]:
        return [str(attrs[attribute]) for _, attrs in self.tags if attribute in attrs]


@pytest.fixture(scope="module")
def pages(dataset: Dataset, day: Day) -> dict[str, bytes]:
    return dict(Pages(dataset.records, day))


@pytest.fixture(scope="module")
def outlines(pages: dict[str, bytes]) -> dict[str, Outline]:
    return {path: Outline(page) for path, page in pages.items()}


def record_of(dataset: Dataset, appliance_id: str) -> CertificateRecord:
    return next(record for record in dataset.records if record.appliance.appliance_id == appliance_id)


def test_pages_are_whole_and_every_link_arrives(outlines: dict[str, Outline]) -> None:
    assert sorted(outlines) == [
        "certificates/C-A-101.html", "certificates/C-A-102.html", "certificates/C-A-201.html", "index.html",
    ]  # fmt: skip
    for path, outline in outlines.items():
        ids = outline.values("id")
        assert len(ids) == len(set(ids))
        for target in outline.values("href"):
            assert target[1:] in ids if target.startswith("#") else target in outlines, (path, target)
        assert {name for group in outline.values("aria-labelledby") for name in group.split()} <= set(ids)


def test_nothing_is_run_and_nothing_is_fetched(pages: dict[str, bytes], outlines: dict[str, Outline]) -> None:
    for path, outline in outlines.items():
        tags = {tag for tag, _ in outline.tags}
        assert not tags & {"script", "img", "link", "iframe", "object", "embed", "form", "base", "use", "image", "b2"}
        names = {name for _, attrs in outline.tags for name in attrs}
        assert not {name for name in names if name.startswith("on")} | names & {"src", "srcset", "style", "action"}
        assert not [target for target in outline.values("href") if ":" in target or target.startswith("/")]
        assert not re.search(r"url\(|@import|@font-face", style_sheet())
        assert pages[path].count(b"<style>") == 1


def test_the_policy_of_a_page_lets_only_its_own_style_in(pages: dict[str, bytes], outlines: dict[str, Outline]) -> None:
    """Source: Content Security Policy Level 3, W3C, hash-source: base64 of the SHA-256 of the element's text."""
    for path, page in pages.items():
        style = page.split(b"<style>")[1].split(b"</style>")[0]
        expected = base64.b64encode(hashlib.sha256(style).digest()).decode()
        policy = next(
            attrs["content"] for _, attrs in outlines[path].tags if attrs.get("http-equiv") == "Content-Security-Policy"
        )
        assert policy == f"default-src 'none'; style-src 'sha256-{expected}'; base-uri 'none'; form-action 'none'"


def test_hostile_text_stands_on_the_page_as_text(outlines: dict[str, Outline]) -> None:
    for path in ("index.html", "certificates/C-A-102.html"):
        assert "<script>alert('site')</script> 3 Mill & Forge Lane" in outlines[path].text
        assert 'tues"day</td><img src=x onerror=alert(1)>.csv' in outlines[path].text
    assert 'Earthing is not known <img src="https://x.example/a">.' in outlines["certificates/C-A-201.html"].text


def test_no_page_calls_anything_safe(outlines: dict[str, Outline]) -> None:
    for outline in outlines.values():
        assert not re.search("safe", outline.text, re.IGNORECASE)


def test_same_record_same_bytes(dataset: Dataset, day: Day) -> None:
    for record in dataset.records:
        assert render_certificate(record) == render_certificate(record.model_copy(deep=True))
    assert render_index(day) == render_index(day)


def test_headings_go_down_one_level_at_a_time(outlines: dict[str, Outline]) -> None:
    for outline in outlines.values():
        levels = [level for level, _ in outline.headings]
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(after <= before + 1 for before, after in pairwise(levels))


def test_every_table_heading_says_what_it_heads(outlines: dict[str, Outline]) -> None:
    for outline in outlines.values():
        scopes = [attrs.get("scope") for tag, attrs in outline.tags if tag == "th"]
        assert scopes
        assert set(scopes) <= {"col", "row", "rowgroup"}


def test_the_outcome_is_the_first_heading_and_dangers_the_second(outlines: dict[str, Outline]) -> None:
    titles = {path: [title for _, title in outline.headings[:2]] for path, outline in outlines.items()}
    assert titles["certificates/C-A-101.html"] == ["satisfactory", "What was tested"]
    assert titles["certificates/C-A-102.html"] == ["unsatisfactory", "Danger"]
    assert titles["certificates/C-A-201.html"] == ["incomplete", "What was tested"]
    assert titles["index.html"][1] == "Danger"


def test_outcomes_differ_in_shape_not_only_in_colour(pages: dict[str, bytes]) -> None:
    shapes = {
        re.search(rb'class="verdict.*?(<svg.*?</svg>)', page, re.DOTALL).group(1)  # type: ignore[union-attr]
        for path, page in pages.items()
        if path != "index.html"
    }
    assert len(shapes) == 3


def test_everything_behind_a_verdict_is_on_the_page(dataset: Dataset, outlines: dict[str, Outline]) -> None:
    for record in dataset.records:
        outline = outlines[f"certificates/{record.certificate.certificate_id}.html"]
        for check in record.certificate.checks:
            assert check.title in outline.text
            assert (check.limit_source or "") in outline.text
        for finding in record.certificate.findings:
            assert finding.message in outline.text
            assert finding.action in outline.text
        for reading in record.readings:
            assert f"{reading.evidence_sha256[:12]} , {reading.record_no}" in outline.text
            assert f"SHA-256 {reading.evidence_sha256}" in outline.values("title")
        for item in record.evidence:
            assert item.sha256 in outline.text
        for sentence in (*record.cautions, *record.not_shown):
            assert sentence in outline.text
        assert outline.text.count("Signature") == 2


def test_what_was_asked_for_and_not_answered_is_named(outlines: dict[str, Outline]) -> None:
    assert "Required and not settled: indicator proved after." in outlines["certificates/C-A-102.html"].text
    assert "exposed metalwork; supply N-E; earth fault loop" in outlines["certificates/C-A-201.html"].text
    assert "Required and not settled" not in outlines["certificates/C-A-101.html"].text


def test_the_day_tells_files_questions_and_what_was_not_used(outlines: dict[str, Outline]) -> None:
    text = outlines["index.html"].text
    assert "Which appliance does the reading of 08:50 belong to?" in text
    assert "2 readings. None of them was used in a verdict." in text
    assert "second.csv afc4acca1c28 long 6 4 2 1" in text
    assert "The Old Dairy J-3 · R. Ŵyn · service · no access" in text
    assert "the cell is neither a number nor a word of the profile" in text


def test_a_day_with_nothing_received_has_a_page(quiet_day: Day) -> None:
    outline = Outline(render_index(quiet_day))
    assert "No file with readings was received." in outline.text
    assert outline.text.count("no certificate") == 4
    assert "Danger" not in outline.text


def luminance(colour: str) -> float:
    """Relative luminance of ``#rrggbb``. Source: WCAG 2.2, W3C, definition of relative luminance."""
    channels = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("name", ["ink", "soft", "good", "bad", "open", "danger"])
@pytest.mark.parametrize("ground", ["paper", "tint"])
def test_every_text_colour_has_contrast(name: str, ground: str) -> None:
    """At least 4.5 to 1. Source: WCAG 2.2, W3C, success criterion 1.4.3."""
    colours = {
        key: "#" + "".join(digit * (2 if len(value) == 3 else 1) for digit in value)
        for key, value in re.findall(r"--(\w+): #([0-9a-f]{3,6});", style_sheet())
    }
    light, dark = luminance(colours[ground]), luminance(colours[name])
    assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_signs_that_would_rearrange_a_page_are_shown_instead(dataset: Dataset) -> None:
    record = record_of(dataset, "A-101")
    job = record.job.model_copy(update={"site": "3 Mill\u202e enaL\x00"})
    page = render_certificate(record.model_copy(update={"job": job})).decode()
    assert "\u202e" not in page
    assert "\x00" not in page
    assert "3 Mill\ufffd enaL\u2400" in page
