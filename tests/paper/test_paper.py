"""Printed records and sheets: the same bytes anywhere, PDF/A, words and figures in their place."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from gateway.demo.control import demo_site_path
from gateway.loopcheck.body import body
from gateway.loopcheck.plan import Reference
from gateway.loopcheck.sheet import sheet
from gateway.paper.figures import fixed, moment, places_for, places_to, signs
from gateway.paper.record import record_pdf
from gateway.paper.sheet import sheet_pdf
from gateway.paper.typesetting import PaperError, pdf
from gateway.plant.sitefile import read_site
from tests.loopcheck.made import begun, exact, plan, stair, whole

pytestmark = pytest.mark.slow

HASH = "5a" * 32
ROOT = Path(__file__).parents[2]


def made(**changes: Any) -> dict[str, Any]:
    """A record of two transducers, one of them off and adjusted, with the combined part."""
    wanted: dict[str, Any] = {"transducers": ("p1", "p2"), "combined": True}
    run = whole(
        begun(plan(**(wanted | changes))),
        ours=lambda s, k: exact(s, k) + (2.5 if k == "p1" and s.transducer else 0.0),
        adjusted={"p1": exact},
    )
    return {**body(run, "stair-1"), "number": 1, "previous": "0" * 64}


def text_of(content: bytes) -> str:
    pages = PdfReader(BytesIO(content)).pages
    return "\n".join(page.extract_text() for page in pages)


def test_a_record_says_what_it_must() -> None:
    text = text_of(record_pdf(made(), HASH))
    for words in (
        "Loop check record 1", "Ada Example", "Calibrator 7", "U = 0.1 Pa", "p1, Stair, level 3",
        "UTC by Ada Example: zero turned", "No adjustment was made: as left is as found.",
        "Hysteresis with dead band", "Test uncertainty ratio", "Which input is which",
        "Signatures", "licensed practice", HASH, "Loopwitness 0.1.0", "+2.00", "PASS", "FAIL",
        "none: this is the first",
    ):  # fmt: skip
        assert words in text, words


def test_the_same_bytes_in_another_process_elsewhere_at_another_time(tmp_path: Path) -> None:
    record = made()
    here = hashlib.sha256(record_pdf(record, HASH)).hexdigest()
    (tmp_path / "record.json").write_text(json.dumps(record))
    code = (
        "import json, sys, hashlib; from gateway.paper.record import record_pdf; "
        "print(hashlib.sha256(record_pdf(json.load(open('record.json')), sys.argv[1])).hexdigest())"
    )
    env = {**os.environ, "PYTHONPATH": str(ROOT), "TZ": "Asia/Tokyo", "LC_ALL": "C"}
    there = subprocess.run(
        [sys.executable, "-c", code, HASH], cwd=tmp_path, env=env, check=True,
        capture_output=True, text=True,
    )  # fmt: skip
    assert there.stdout.strip() == here


def test_it_is_marked_as_an_archive_copy_with_structure() -> None:
    content = record_pdf(made(), HASH)
    assert b"<pdfaid:part>2</pdfaid:part><pdfaid:conformance>A" in content.replace(b"\n", b"")
    reader = PdfReader(BytesIO(content))
    assert "/StructTreeRoot" in reader.root_object
    assert reader.metadata
    assert reader.metadata.title == "Loop check record 1, test"
    kinds = set(re.findall(rb"/BaseFont */[A-Z]{6}\+([A-Za-z]+)", content))
    assert kinds == {b"LibertinusSerif", b"DejaVuSansMono"}, "and no font of this machine"


def archived(content: bytes) -> None:
    """What can be checked of PDF/A-2a without a validator.

    After ISO 19005-2 as secondary texts give it; no more than these points are known to hold.
    """
    reader = PdfReader(BytesIO(content))
    root: Any = reader.root_object
    assert reader.trailer["/ID"]
    assert not reader.is_encrypted
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    (intent,) = root["/OutputIntents"]
    assert intent.get_object()["/S"] == "/GTS_PDFA1"
    profile = intent.get_object()["/DestOutputProfile"].get_object().get_data()
    assert profile[36:40] == b"acsp", "an ICC profile"
    assert int.from_bytes(profile[:4]) == len(profile)
    assert not {"/AA", "/OpenAction", "/AcroForm"} & root.keys()
    assert b"/JavaScript" not in content
    assert b"/EmbeddedFile" not in content
    xmp = root["/Metadata"].get_object().get_data().decode()
    assert "<pdfaid:part>2</pdfaid:part>" in xmp.replace("\n", "")
    assert reader.metadata
    assert f">{reader.metadata.title}<" in xmp, "both places say the same title"
    fonts = 0
    for page in reader.pages:
        assert "/Group" not in page or page["/Group"]["/CS"]  # type: ignore[index] # a dictionary
        for font in page["/Resources"]["/Font"].values():  # type: ignore[index] # a dictionary
            inner = font.get_object()
            assert "/ToUnicode" in inner
            (below,) = inner["/DescendantFonts"]
            described = below.get_object()["/FontDescriptor"].get_object()
            assert {"/FontFile2", "/FontFile3"} & described.keys(), "embedded"
            fonts += 1
    assert fonts


def test_what_can_be_checked_of_an_archive_copy_holds() -> None:
    archived(record_pdf(made(), HASH))
    archived(sheet_pdf(sheet(read_site(demo_site_path())), "0.1.0"))


def test_words_of_people_are_words_and_nothing_else() -> None:
    nasty = '#panic("no") *x* $y$ <b> \\ "q" @ref `code` ünïcode // no'
    record = made(reference=Reference(identity=nasty), ambient=nasty)
    record["loop_name"] = nasty
    text = text_of(record_pdf(record, HASH))
    assert '#panic("no") *x* $y$ <b>' in text


def test_letters_that_no_font_has_are_told() -> None:
    record = made(ambient="压力 21 °C", reference=Reference(identity="Прибор 7 压 \U0001f600"))
    text = text_of(record_pdf(record, HASH))
    assert "?? 21 °C" in text
    assert "Прибор 7 ? ?" in text
    assert "Letters that these fonts lack" in text
    assert "Letters that" not in text_of(record_pdf(made(), HASH))


def test_a_record_without_half_of_everything() -> None:
    """One point, no reference, no controller value, nothing combined."""
    run = whole(begun(plan(scheme="one point", reference=Reference(), only_as_found=True)))
    bare = {**body(run, "x"), "number": 2, "previous": HASH}
    text = text_of(record_pdf(bare, HASH))
    assert "not stated: no test uncertainty ratio" in text
    assert "A look only" in text
    assert "A partial check" in text
    assert "Combined feedback" not in text


def test_a_look_back_and_mistakes_stand_on_the_first_page() -> None:
    wrong = {
        **made(),
        "mistakes": [{"fault": "x", "subject": "p1", "words": "p1 reads -5 Pa off"}],
        "look_back": [{"transducer": "p1", "words": "For 3 days p1 was off.", "since": 1.0}],
    }
    first = PdfReader(BytesIO(record_pdf(wrong, HASH))).pages[0].extract_text()
    assert "p1 reads \u22125 Pa off" in first
    assert "For 3 days p1 was off." in first


def test_what_is_signed_stands_on_one_page_and_no_page_is_left_with_a_line_or_two() -> None:
    for record in (made(), made(scheme="three points"), made(combined=False)):
        first, *others = PdfReader(BytesIO(record_pdf(record, HASH))).pages
        text = first.extract_text()
        for words in ("as left", "Signatures", "name, firm, place, date", HASH, "Made by Loopwitn"):
            assert words in text
        for page in others:
            assert len(page.extract_text()) > 400
    *_, last = PdfReader(BytesIO(sheet_pdf(sheet(read_site(demo_site_path())), "0.1.0"))).pages
    assert "Witnessed" in last.extract_text()
    assert "Range maximum" in last.extract_text()


def test_a_mistake_is_told_once_and_referred_to() -> None:
    run = whole(
        begun(plan(transducers=("p1", "p2"), combined=True)),
        theirs=lambda key, pressure: 1.8 * (pressure + 25) - 25 if key == "p1" else pressure,
    )
    record = {**body(run, "stair-1"), "number": 1, "previous": "0" * 64}
    text = " ".join(text_of(record_pdf(record, HASH)).split())
    assert text.count("The controller scales p1 wrongly") == 1
    assert "as if its range were \u221225 to 200 Pa; enter \u221225 to 100 Pa" in text
    assert "No: set or wired wrongly, as told above." in text


def test_the_end_of_an_input_is_told() -> None:
    """A card that stops at 20 mA, a transducer that reads 1 Pa too high."""
    card = {"counts": [0, 25000], "electrical": [0, 20], "unit": "mA", "clamps": True}
    run = whole(begun(about=stair(input=card)), ours=lambda s, k: min(100.0, exact(s, k) + 1.0))
    text = text_of(record_pdf({**body(run, "x"), "number": 1, "previous": HASH}, HASH))
    assert text.count("\u2265 0.00") == 2, "at the input, and shown by the controller"
    assert "At 100 % the input ends, and an error beyond it does not show" in text
    assert "by the line through the other readings it is +0.80 ±" in text.replace("\n", " ")


def test_a_sheet_has_every_input_and_is_the_same_every_time() -> None:
    site = read_site(demo_site_path())
    content = sheet_pdf(sheet(site), "0.1.0")
    assert content == sheet_pdf(sheet(site), "0.1.0")
    text = text_of(content)
    for key in site.transducers:
        assert key in text
    for words in ("19200", "Range minimum", "\u221225 Pa", "fire watch", "beyond the input"):
        assert words in text


def test_what_cannot_be_set_says_so() -> None:
    with pytest.raises(PaperError, match=r"record\.typ"):
        pdf("record.typ", {})


def test_figures() -> None:
    assert (fixed(-0.001), fixed(0.125), fixed(-2), fixed(None)) == (
        "0.00", "+0.12", "\u22122.00", "\u2013",
    )  # fmt: skip
    assert (places_for([-25, 100]), places_for([0, 2]), places_for([-500, 0])) == (2, 4, 2)
    assert (places_to(2.5), places_to(0.02), places_to(None)) == (2, 4, 2)
    assert signs("4-20 mA from -25 to +3, dp-201") == "4-20 mA from \u221225 to +3, dp-201"
    assert moment(1_780_000_000, "Europe/Berlin") == "2026-05-28 22:26 CEST"
    assert moment(1_780_000_000, "Nowhere/Land") == "2026-05-28 20:26 UTC"


def test_three_transducers_of_a_narrow_range_fit_too() -> None:
    run = whole(begun(plan(cycles=3), stair(range=[-0.05, 0.05], unit="inH2O")))
    record = {**body(run, "x"), "number": 3, "previous": HASH}
    assert "0.0250" in text_of(record_pdf(record, HASH))
