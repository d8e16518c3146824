"""Every page in drivers/ is walked: it loads, gives all that its role asks for, and uses headers of the standards only."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from eolseq.instruments.page import Ask, Pause, Wait, load_page
from eolseq.instruments.page_model import Page
from eolseq.instruments.roles import ROLES
from eolseq.quantity import parse
from eolseq.simulation.file import build, load_simulator
from tests.instruments.fake_link import DRIVERS

PAGES = sorted(path for path in DRIVERS.glob("*.yaml") if "kind: driver page" in path.read_text(encoding="utf-8"))

# Every header that the shipped pages and the simulated instruments may use, as the standard prints it, and where it
# stands. All from memory, not seen (M): IEEE 488.2-1992 chapter 10; SCPI-1999 volume 1 (chapter 4) and volume 2.
HEADERS = {
    "*CLS": "IEEE 488.2 10.3", "*ESE": "IEEE 488.2 10.10", "*ESE?": "IEEE 488.2 10.11", "*ESR?": "IEEE 488.2 10.12",
    "*IDN?": "IEEE 488.2 10.14", "*OPC": "IEEE 488.2 10.18", "*OPC?": "IEEE 488.2 10.19",
    "*RST": "IEEE 488.2 10.32", "*SRE": "IEEE 488.2 10.34", "*SRE?": "IEEE 488.2 10.35", "*STB?": "IEEE 488.2 10.36",
    "*TRG": "IEEE 488.2 10.37", "*TST?": "IEEE 488.2 10.38", "*WAI": "IEEE 488.2 10.39",
    "SYSTem:ERRor[:NEXT]?": "SCPI-1999 vol 2 SYSTem subsystem (mandatory: vol 1, 4.2.1)",
    "SYSTem:ERRor:COUNt?": "SCPI-1999 vol 2 SYSTem subsystem",
    # DIAGnostic is the standard's root for what is a maker's own; COUNt below it is a word of the standard, from memory
    "DIAGnostic:COUNt?": "SCPI-1999 vol 2 DIAGnostic subsystem",
    "SYSTem:VERSion?": "SCPI-1999 vol 2 SYSTem subsystem (mandatory: vol 1, 4.2.1)",
    "STATus:OPERation[:EVENt]?": "SCPI-1999 vol 2 STATus subsystem",
    "STATus:OPERation:CONDition?": "SCPI-1999 vol 2 STATus subsystem",
    "STATus:OPERation:ENABle": "SCPI-1999 vol 2 STATus subsystem",
    "STATus:OPERation:ENABle?": "SCPI-1999 vol 2 STATus subsystem",
    "STATus:QUEStionable[:EVENt]?": "SCPI-1999 vol 2 STATus subsystem",
    "STATus:QUEStionable:CONDition?": "SCPI-1999 vol 2 STATus subsystem",
    "STATus:QUEStionable:ENABle": "SCPI-1999 vol 2 STATus subsystem",
    "STATus:QUEStionable:ENABle?": "SCPI-1999 vol 2 STATus subsystem",
    "STATus:PRESet": "SCPI-1999 vol 2 STATus subsystem",
    "[SOURce]:FUNCtion[:SHAPe]": "SCPI-1999 vol 2 SOURce:FUNCtion",
    "[SOURce]:FUNCtion[:SHAPe]?": "SCPI-1999 vol 2 SOURce:FUNCtion",
    "[SOURce]:FREQuency[:CW]": "SCPI-1999 vol 2 SOURce:FREQuency",
    "[SOURce]:FREQuency[:CW]?": "SCPI-1999 vol 2 SOURce:FREQuency",
    "[SOURce]:VOLTage:MODE": "SCPI-1999 vol 2 SOURce:VOLTage", "[SOURce]:VOLTage:MODE?": "the same",
    "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]": "SCPI-1999 vol 2 SOURce:VOLTage",
    "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]?": "the same",
    "[SOURce]:VOLTage:PROTection[:LEVel]": "SCPI-1999 vol 2 SOURce:VOLTage",
    "[SOURce]:VOLTage:PROTection[:LEVel]?": "the same",
    "[SOURce]:CURRent:MODE": "SCPI-1999 vol 2 SOURce:CURRent", "[SOURce]:CURRent:MODE?": "the same",
    "[SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]": "SCPI-1999 vol 2 SOURce:CURRent",
    "[SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]?": "the same",
    "[SOURce]:CURRent:PROTection[:LEVel]": "SCPI-1999 vol 2 SOURce:CURRent",
    "[SOURce]:CURRent:PROTection[:LEVel]?": "the same",
    "[SOURce]:LIST:VOLTage": "SCPI-1999 vol 2 SOURce:LIST", "[SOURce]:LIST:CURRent": "SCPI-1999 vol 2 SOURce:LIST",
    "[SOURce]:LIST:DWELl": "SCPI-1999 vol 2 SOURce:LIST",
    "CALCulate#:LIMit:UPPer[:DATA]": "SCPI-1999 vol 2 CALCulate:LIMit",
    "CALCulate#:LIMit:UPPer[:DATA]?": "the same",
    "CALCulate#:LIMit:STATe": "SCPI-1999 vol 2 CALCulate:LIMit", "CALCulate#:LIMit:STATe?": "the same",
    "CALCulate#:DATA?": "SCPI-1999 vol 2 CALCulate",
    "OUTPut#[:STATe]": "SCPI-1999 vol 2 OUTPut", "OUTPut#[:STATe]?": "SCPI-1999 vol 2 OUTPut",
    "INITiate[:IMMediate]": "SCPI-1999 vol 2 TRIGger subsystem", "ABORt": "SCPI-1999 vol 2 TRIGger subsystem",
    "TRIGger:TIMer": "SCPI-1999 vol 2 TRIGger subsystem", "TRIGger:TIMer?": "the same",
    "MEASure[:SCALar][:VOLTage]?": "SCPI-1999 vol 2 chapter 3, measurement instructions",
    "MEASure[:SCALar][:VOLTage][:AC]?": "SCPI-1999 vol 2 chapter 3",
    "MEASure[:SCALar]:VOLTage:MAXimum?": "SCPI-1999 vol 2 chapter 3",
    "MEASure[:SCALar]:CURRent?": "SCPI-1999 vol 2 chapter 3",
    "MEASure[:SCALar]:CURRent:AC?": "SCPI-1999 vol 2 chapter 3",
    "MEASure[:SCALar]:FREQuency?": "SCPI-1999 vol 2 chapter 3",
    "MEASure[:SCALar]:FRESistance?": "SCPI-1999 vol 2 chapter 3",
    "MEASure[:SCALar]:TINTerval?": "SCPI-1999 vol 2 chapter 3",
    "CONFigure[:SCALar]:FRESistance": "SCPI-1999 vol 2 chapter 3",
    "CONFigure[:SCALar]:CURRent:AC": "SCPI-1999 vol 2 chapter 3",
    # PRESsure is the least sure of these words; it stands among the functions of a sensor, from memory
    "MEASure[:SCALar]:PRESsure?": "SCPI-1999 vol 2 chapter 3",
    "FETCh[:SCALar]:PRESsure?": "SCPI-1999 vol 2 chapter 3", "FETCh[:SCALar]:TEMPerature?": "SCPI-1999 vol 2 chapter 3",
    "CONFigure[:SCALar]:PRESsure": "SCPI-1999 vol 2 chapter 3", "READ[:PRESsure]?": "SCPI-1999 vol 2 chapter 3",
    "CONFigure[:SCALar]:POWer[:AC]": "SCPI-1999 vol 2 chapter 3",
    "FETCh[:SCALar]:VOLTage[:AC]?": "SCPI-1999 vol 2 chapter 3",
    "FETCh[:SCALar]:CURRent[:AC]?": "SCPI-1999 vol 2 chapter 3",
    "FETCh[:SCALar]:POWer[:AC]?": "SCPI-1999 vol 2 chapter 3",
    "READ[:FRESistance]?": "SCPI-1999 vol 2 chapter 3", "READ[:CURRent][:AC]?": "SCPI-1999 vol 2 chapter 3",
    "ROUTe:CLOSe": "SCPI-1999 vol 2 ROUTe", "ROUTe:CLOSe?": "SCPI-1999 vol 2 ROUTe",
    "ROUTe:CLOSe:STATe?": "SCPI-1999 vol 2 ROUTe", "ROUTe:OPEN": "SCPI-1999 vol 2 ROUTe",
    "ROUTe:OPEN?": "SCPI-1999 vol 2 ROUTe", "ROUTe:OPEN:ALL": "SCPI-1999 vol 2 ROUTe",
}


def spellings(pattern: str) -> re.Pattern[str]:
    """Every way to write a header, short or long, with or without its optional nodes."""
    out = ""
    for opening, keyword, number in re.findall(r"(\[?):?([*A-Za-z]+)(#?)\]?", pattern.removesuffix("?")):
        short = "".join(letter for letter in keyword if not letter.islower())
        node = rf":(?:{re.escape(short)}|{re.escape(keyword.upper())})" + ("[0-9]*" if number else "")
        out += f"(?:{node})?" if opening else node
    return re.compile(out + (r"\?" if pattern.endswith("?") else ""))


KNOWN = [spellings(pattern) for pattern in HEADERS]


def held(header: str) -> bool:
    """Whether a whole header, from the root, is on the list."""
    return any(each.fullmatch(":" + header.lstrip(":").upper()) for each in KNOWN)


def headers_of(message: str) -> list[str]:
    """The whole headers of a program message, the path carried over as SCPI-1999 volume 1, 6.2.4 has it (M)."""
    found, path = [], ""
    for unit in message.split(";"):
        header = unit.split(" ")[0]
        if header.startswith("*"):
            found.append(header)
            continue
        whole = header if header.startswith(":") else f"{path}:{header}"
        path = whole.rpartition(":")[0]
        found.append(whole)
    return found


def messages_of(page: Page) -> list[str]:
    """Every message a page can send, settings still in braces."""
    found = [page.identity.message, *([page.errors.message] if page.errors else []), *([page.stop] if page.stop else [])]
    for action in page.does.values():
        found += [line.message.source for line in action.lines if not isinstance(line, Pause)]
    return [re.sub(r"CALC\{trip_on\}", "CALC1", each) for each in found]


def test_there_is_one_page_for_each_role_an_awkward_one_and_one_for_several_bays() -> None:
    roles = [load_page(path).role for path in PAGES]
    assert sorted(roles) == sorted([*ROLES, "resistance_meter", "switching_unit"])
    assert (DRIVERS / "rm-70.yaml") in PAGES and (DRIVERS / "sw-400.yaml") in PAGES


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.stem)
def test_page(path: Path) -> None:
    page = load_page(path)
    role = ROLES[page.role]
    assert page.model.lower() == path.stem
    assert "invented, for the demo" in path.read_text().lower()
    assert set(page.does) == set(role.does)
    assert set(page.takes) == set(role.takes)
    assert set(page.gives) == set(role.gives)
    assert bool(page.stop) == role.danger
    assert len(page.digest) == 64
    for given in page.gives.values():
        assert given.ranges, f"{given.name} states no range"
        for each in given.ranges:
            assert each.resolution is not None
            assert each.accuracy
            assert page.range_for(given.name, each.to) == each
    given_flags = {flag for action in page.does.values() for line in action.lines if isinstance(line, Ask | Wait)
                   for flag in line.reply.flags}
    awaited = {flag for action in page.does.values() for line in action.lines if isinstance(line, Wait)
               for condition in line.until for flag in condition}
    assert given_flags - awaited <= set(role.flags) <= given_flags


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.stem)
def test_headers_are_held(path: Path) -> None:
    used = [header for message in messages_of(load_page(path)) for header in headers_of(message)]
    assert len(used) >= 3
    assert [header for header in used if not held(header)] == []


def test_the_list_refuses_others() -> None:
    assert not held(":SOUR:SAFETY:STEP")
    assert not held(":SOUR:VOLT:RAMP")
    assert held(":SOURCE:LIST:DWEL") and held(":list:dwell") and held(":MEAS?") and not held(":MEASU:VOLT?")
    assert headers_of("*TRG;:STAT:OPER:COND?;:STAT:QUES:COND?") == ["*TRG", ":STAT:OPER:COND?", ":STAT:QUES:COND?"]
    assert headers_of("MEAS:VOLT?;CURR?;:CALC2:DATA?") == [":MEAS:VOLT?", ":MEAS:CURR?", ":CALC2:DATA?"]


def test_simulated_instruments_know_only_held_headers() -> None:
    bay = build(load_simulator(DRIVERS.parent / "simulators/demo-simulator.yaml"), now=0.0)
    names = 0
    for name, instrument, _ in bay.instruments():
        for header in reachable(instrument):
            names += 1
            assert held(header), f"{name} knows {header}"
    assert names > 150  # every spelling of every header of ten instruments


def reachable(instrument: object) -> list[str]:
    """Every header that a simulated instrument answers to, in every spelling without numbers."""
    tree = instrument._tree  # type: ignore[attr-defined]
    found = list(tree._common)
    stack = [("", tree.root.node)]
    while stack:
        path, node = stack.pop()
        found += [path + ("?" if query else "") for query in node.patterns]
        stack += [(f"{path}:{keyword}", child) for keyword, child in node.children.items()]
    return found


def test_the_ranges_of_the_withstand_page() -> None:
    page = load_page(DRIVERS / "wt-5.yaml")
    small = page.range_for("current_total", parse("2.8 mA"))
    assert small is not None and str(small.to) == "4 mA" and str(small.resolution) == "1 uA"
    large = page.range_for("current_total", parse("4.1 mA"))
    assert large is not None and str(large.to) == "40 mA"
    assert page.range_for("current_total", parse("41 mA")) is None
    assert page.range_for("charge", parse("1 mA")) is None
