"""Labels on paper: every code is read back by Debian's zbarimg, every word by pdftotext; sizes are those stated."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from reportlab.graphics.barcode.code128 import Code128

from eolseq.errors import Refused
from eolseq.line.label import Label
from eolseq.line.label_code import LabelCode, read_code
from eolseq.line.paper import label_pdf, picture
from eolseq.line.template import SHIPPED, load_template
from eolseq.records.checkpoint import Checkpoint
from tests.line.labels import needs_readers, scanned, words_in
from tests.records.samples import ORIGIN

TEMPLATES = {name: load_template(SHIPPED / f"{name}-label.yaml") for name in ("unit", "carton")}
LABEL = Label("unit", False, "DH-6", "DH6-00000001", "240 V  60 Hz  6 kW  motor 0.333 hp  class I", "2026-11-25",
              "Aldervale demo bench", "22-0a1b2c3d", "1")


def code_for(label: Label) -> str:
    return LabelCode(label.of, label.simulated, 22, Checkpoint(ORIGIN, 23, bytes(range(32))), int(label.copy),
                     label.serial, bytes(range(64))).text()


@needs_readers
@pytest.mark.parametrize("simulated", [False, True])
@pytest.mark.parametrize("of", TEMPLATES)
def test_both_codes_and_all_words_of_a_label_are_read_back(of: str, simulated: bool) -> None:
    label = replace(LABEL, of=of, simulated=simulated)
    pdf = label_pdf(TEMPLATES[of], label, code_for(label))
    assert scanned(picture(pdf)) == {f"QR-Code:{code_for(label)}", f"CODE-128:{label.serial}"}
    words = " ".join(words_in(pdf).split())
    for word in label.words().values():
        assert " ".join(word.split()) in words
    assert words.count("SIMULATED: NO REAL UNIT") == (2 if simulated else 0)
    assert pdf == label_pdf(TEMPLATES[of], label, code_for(label)), "the same label gives the same bytes"


@needs_readers
@given(serial=st.from_regex(r"\A[A-Z0-9][A-Z0-9.-]{3,23}\Z"), simulated=st.booleans())
@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_serial_is_read_back_from_the_label(serial: str, simulated: bool) -> None:
    label = replace(LABEL, serial=serial, simulated=simulated)
    try:
        pdf = label_pdf(TEMPLATES["unit"], label, code_for(label))
    except Refused:
        assert len(serial) > 16, "only a long serial is too wide for this label"
        return
    found = scanned(picture(pdf))
    assert f"CODE-128:{serial}" in found
    codes = [each.removeprefix("QR-Code:") for each in found if each.startswith("QR-Code:")]
    assert [read_code(each).serial for each in codes] == [serial]


def test_the_check_symbol_of_code_128_is_the_published_one() -> None:
    """PJJ123C has check 54 from start A and 55 from start B; ours starts with B (second-hand, recomputed)."""
    made = Code128("PJJ123C", barWidth=1, barHeight=1)
    made.validate()
    made.encode()
    symbols = list(made.encoded)
    assert (symbols[0], symbols[-2]) in {(103, 54), (104, 55)}
    weighed = symbols[0] + sum(place * value for place, value in enumerate(symbols[1:-2], 1))
    assert symbols[-2] == weighed % 103


def test_the_page_has_the_size_that_the_template_states() -> None:
    pdf = label_pdf(TEMPLATES["unit"], LABEL, code_for(LABEL))
    dots = picture(pdf)[16:24]  # width and height in a PNG file's header (ISO/IEC 15948, 11.2.2; from memory)
    width, height = (int.from_bytes(dots[at:at + 4], "big") * 25.4 / 300 for at in (0, 4))
    assert abs(width - 100) < 0.2 and abs(height - 60) < 0.2


UNFIT = {
    "a serial too long for bars that can be read": (replace(LABEL, serial="W" * 40), "as a bar code needs"),
    "a text too long for letters that can be read": (replace(LABEL, ratings="240 V and more " * 12), "does not fit"),
}


@pytest.mark.parametrize("name", UNFIT)
def test_what_could_not_be_read_is_not_printed(name: str) -> None:
    label, told = UNFIT[name]
    with pytest.raises(Refused, match=told):
        label_pdf(TEMPLATES["unit"], label, code_for(label))


def test_a_code_too_fine_for_its_place_is_not_printed() -> None:
    parts = tuple(replace(each, width=12.0, height=12.0) if each.shows == "record code" else each
                  for each in TEMPLATES["unit"].parts)
    with pytest.raises(Refused, match="has 12 mm"):
        label_pdf(replace(TEMPLATES["unit"], parts=parts), LABEL, code_for(LABEL))


@pytest.mark.real_lines
def test_bays_draw_side_by_side() -> None:
    """The same bytes from eight threads at once as from one."""
    labels = [replace(LABEL, serial=f"DH6-{number:08d}", simulated=number % 2 == 0) for number in range(8)]

    def drawn(label: Label) -> tuple[bytes, bytes]:
        pdf = label_pdf(TEMPLATES["unit"], label, code_for(label))
        return pdf, picture(pdf)
    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(drawn, labels)) == [drawn(each) for each in labels]


@needs_readers
def test_a_sign_that_the_font_has_not_is_shown_as_an_escape() -> None:
    label = replace(LABEL, station="Bank 漢")
    assert "\\u6f22" in words_in(label_pdf(TEMPLATES["unit"], label, code_for(label)))
