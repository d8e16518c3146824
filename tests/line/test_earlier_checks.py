"""What counts of checks made elsewhere, as tables: by order in the log, by age, by band, after a rework."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.bands.band import AcceptanceBand
from eolseq.line.check_files import read_file
from eolseq.line.earlier_checks import Told, judged, rest_of
from eolseq.quantity import parse
from eolseq.records.compose import values_of
from eolseq.records.runs import AboutUnit
from eolseq.sequence.needs import Need
from eolseq.station.earlier_fields import Equipment

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
BAND = AcceptanceBand(parse("29.5 bar"), parse("31 bar"))
PLAIN = Need("wiring-inspection", parse("24 h"), None, "line 2")
HELD = Need("pressure-hold", parse("24 h"), BAND, "the booth")


def check(need: Need, index: int, stated: Any = "pass", hours: float = 1, value: str | None = None,
          band: AcceptanceBand | None = None) -> AboutUnit:
    told = Told("U-1", need.check, stated, NOW - timedelta(hours=hours), parse(value) if value else None)
    return AboutUnit(index, "earlier_check", "", values_of(judged(told, band, by="op-07", source="entered by hand")))


def rework(index: int, changed: str | None) -> AboutUnit:
    return AboutUnit(index, "rework", "", {"serial": "U-1", "changed": changed})


VOID = AboutUnit(9, "void", "", {"serial": "U-1"})
CASES: dict[str, tuple[Need, list[AboutUnit], str]] = {
    # name: need, entries, words of the refusal (empty: it may be tested)
    "passed": (PLAIN, [check(PLAIN, 5)], ""),
    "never made": (PLAIN, [], "is not on record"),
    "another check": (PLAIN, [check(HELD, 5)], "is not on record"),
    "failed": (PLAIN, [check(PLAIN, 5, "fail")], "failed (entry 5)"),
    "failed, then passed": (PLAIN, [check(PLAIN, 5, "fail", 2), check(PLAIN, 6)], ""),
    "passed, then failed": (PLAIN, [check(PLAIN, 5, hours=2), check(PLAIN, 6, "fail")], "failed (entry 6)"),
    "a late fail came in first": (PLAIN, [check(PLAIN, 5, "fail", 1), check(PLAIN, 6, "pass", 2)], "a fail (entry 5)"),
    "at the same time": (PLAIN, [check(PLAIN, 5, "fail", 1), check(PLAIN, 6, "pass", 1)], "a fail (entry 5)"),
    "as old as it may be": (PLAIN, [check(PLAIN, 5, hours=24)], ""),
    "too old": (PLAIN, [check(PLAIN, 5, hours=24.01)], "more than 24 h ago"),
    "clocks a little apart": (PLAIN, [check(PLAIN, 5, hours=-0.05)], ""),
    "made tomorrow": (PLAIN, [check(PLAIN, 5, hours=-24)], "has not come yet"),
    "a value inside": (HELD, [check(HELD, 5, value="30 bar")], ""),
    "a value at the edge, in another unit": (HELD, [check(HELD, 5, value="2.95 MPa")], ""),
    "a value outside": (HELD, [check(HELD, 5, value="29.4 bar")], "lies outside 29.5 bar to 31 bar"),
    "a value of another kind": (HELD, [check(HELD, 5, value="30 V")], "cannot be held against"),
    "no value where a band is": (HELD, [check(HELD, 5)], "gives no value"),
    "reworked since": (PLAIN, [check(PLAIN, 5), rework(6, "new lead")], "before the rework in entry 6"),
    "reworked since, nothing changed": (PLAIN, [check(PLAIN, 5), rework(6, None)], ""),
    "reworked before": (PLAIN, [rework(4, "new lead"), check(PLAIN, 5)], ""),
    "made void since": (PLAIN, [check(PLAIN, 5), VOID], "before the void in entry 9"),
}


@pytest.mark.parametrize(("need", "about", "words"), CASES.values(), ids=CASES.keys())
def test_what_counts(need: Need, about: list[AboutUnit], words: str) -> None:
    rest = rest_of([need], about, NOW)
    if not words:
        assert rest.wanting == () and rest.entries == (max(e.index for e in about if e.kind == "earlier_check"),)
    else:
        assert rest.entries == () and len(rest.wanting) == 1
        assert words in rest.wanting[0] and need.where in rest.wanting[0] and need.check in rest.wanting[0]


def test_every_wanting_check_is_named() -> None:
    assert len(rest_of([PLAIN, HELD], [], NOW).wanting) == 2


def test_a_stated_pass_outside_the_band_is_entered_as_a_fail() -> None:
    entry = check(HELD, 5, value="29.4 bar", band=BAND).payload
    assert (entry["stated"], entry["result"], entry["value"]) == ("pass", "fail", "29.4 bar")
    assert check(HELD, 5, "fail", value="30 bar", band=BAND).payload["result"] == "fail"


@given(st.lists(st.tuples(st.sampled_from(["pass", "fail"]), st.integers(0, 48)), max_size=6))
@settings(max_examples=100, deadline=None)
def test_one_more_fail_made_now_always_refuses(history: list[tuple[str, int]]) -> None:
    about = [check(PLAIN, at, stated, hours) for at, (stated, hours) in enumerate(history)]
    assert rest_of([PLAIN], [*about, check(PLAIN, 99, "fail", 0)], NOW).wanting
    assert rest_of([PLAIN], [check(PLAIN, 0, "fail", 0), *about], NOW).wanting


# -- files ------------------------------------------------------------------------------------------------------

LEAK = Equipment("leak-2", "leak-*.csv", "tracer-gas-leak", "semicolon", "mbar",
                 {"serial": "SN", "result": "Verdict", "made": "Time", "value": "Rise", "check": ""}, ("OK",), ("NOK",))
JSON = Equipment("insp", "*.jsonl", "", "comma", "", {"serial": "s", "result": "r", "made": "t", "check": "c", "value": ""},
                 ("pass",), ("fail",))
HEAD = "SN;Verdict;Time;Rise\n"
GOOD = "U-1;OK;2026-11-25T10:00:00Z;0.9\n"

BAD_ROWS = {  # name: (the row, words of the reason, whether its unit and check can be read all the same)
    "unknown verdict": ("U-1;maybe;2026-11-25T10:00:00Z;0.9", "neither a word for pass", True),
    "small letters": ("U-1;ok;2026-11-25T10:00:00Z;0.9", "neither a word for pass", True),
    "no verdict": ("U-1;;2026-11-25T10:00:00Z;0.9", "neither", True),
    "no serial": (";OK;2026-11-25T10:00:00Z;0.9", "is no serial", False),
    "a serial with a control character": ("U\x1b[2J;OK;2026-11-25T10:00:00Z;0.9", "is no serial", False),
    "no time": ("U-1;OK;;0.9", "is no time", True),
    "a time of day": ("U-1;OK;10:00;0.9", "is no time", True),
    "a time to come": ("U-1;OK;2027-01-01T00:00:00Z;0.9", "has not come yet", True),
    "the end of time": ("U-1;OK;9999-12-31T23:59:59-12:00;0.9", "no time that can be", True),
    "a value in words": ("U-1;OK;2026-11-25T10:00:00Z;small", "is not a number", True),
    "a decimal comma": ("U-1;OK;2026-11-25T10:00:00Z;0,9", "is not a number", True),
    "not a number": ("U-1;OK;2026-11-25T10:00:00Z;NaN", "is not a number", True),
    "a column too few": ("U-1;OK;2026-11-25T10:00:00Z", "columns", False),
    "a column too many": ("U-1;OK;2026-11-25T10:00:00Z;0.9;x", "columns", False),
}


@pytest.mark.parametrize(("row", "words", "readable"), BAD_ROWS.values(), ids=BAD_ROWS.keys())
def test_a_bad_row_is_set_aside_and_those_around_it_are_read(row: str, words: str, readable: bool) -> None:
    rows = read_file((HEAD + GOOD + row + "\n" + GOOD).encode(), LEAK, json_lines=False, now=NOW)
    assert [each.told is None for each in rows] == [False, True, False]
    assert rows[1].line == 3 and words in rows[1].why
    assert rows[1].about == (("U-1", "tracer-gas-leak") if readable else None)


BAD_FILES = {
    "not text": (b"\xff\xfe\x00", "UTF-8"), "with NUL": (b"SN;Verdict\0\n", "NUL"),
    "no head": (GOOD.encode(), "the head does not have"), "a column twice": (b"SN;SN;Verdict;Time;Rise\n", "once"),
    "a quote that never ends": ((HEAD + 'U-1;"OK;x\n').encode(), "no CSV"),
}


@pytest.mark.parametrize(("data", "words"), BAD_FILES.values(), ids=BAD_FILES.keys())
def test_a_bad_file_is_told(data: bytes, words: str) -> None:
    rows = read_file(data, LEAK, json_lines=False, now=NOW)
    assert rows and rows[-1].told is None and words in rows[-1].why


BAD_JSON = {"an array": "[1]", "cut": '{"s": "U-1"', "a key twice": '{"s": "U-1", "s": "U-2"}', "a number": "3",
            "a list for a serial": '{"s": ["U-1"], "r": "pass", "t": "2026-11-25T10:00:00Z", "c": "x"}',
            "a check in capitals": '{"s": "U-1", "r": "pass", "t": "2026-11-25T10:00:00Z", "c": "X"}',
            "true": '{"s": "U-1", "r": true, "t": "2026-11-25T10:00:00Z", "c": "x"}', "deep": "[" * 100_000}


@pytest.mark.parametrize("line", BAD_JSON.values(), ids=BAD_JSON.keys())
def test_bad_lines_of_json(line: str) -> None:
    good = '{"s": "U-1", "r": "pass", "t": "2026-11-25T10:00:00+01:00", "c": "wiring-inspection"}'
    rows = read_file(f"{line}\n\n{good}\n".encode(), JSON, json_lines=True, now=NOW)
    assert rows[0].told is None and rows[0].why and rows[1].line == 3
    assert rows[1].told is not None and rows[1].told.made == datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


@given(st.lists(st.text(st.characters(codec="utf-8"), max_size=30), max_size=6))
@settings(max_examples=150, deadline=None)
def test_nothing_is_dropped_and_nothing_raises(lines: list[str]) -> None:
    kept = [line for line in (each.replace("\n", " ").replace("\r", " ").replace('"', "'") for each in lines) if line]
    rows = read_file((HEAD + "".join(f"{each}\n" for each in kept)).encode(), LEAK, json_lines=False, now=NOW)
    assert len(rows) == (len(kept) if not any("\0" in each for each in kept) else 1)
