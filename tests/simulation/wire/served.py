"""Run as a program by the tests: serves one small instrument on a socket and a serial line, as its starter wishes."""

from __future__ import annotations

import sys
from typing import Any

from eolseq.simulation.instrument import Call, Instrument, nr3, taking
from eolseq.simulation.lines import EventLines
from eolseq.simulation.server import serve


def main() -> None:
    """Serve until standard input ends or a signal comes."""
    out = EventLines(sys.stdout)
    outputs: list[bool] = []

    def switch(call: Call) -> None:
        outputs.append(call.parameters[0].boolean())
        out({"output": outputs[-1]})

    def control(wish: dict[str, Any]) -> None:
        if "burst" in wish:
            for number in range(int(wish["burst"])):
                out({"number": number})
        else:
            instrument.set_fault(wish["fault"], wish.get("number"))
        out({"done": wish})

    instrument = Instrument("source", "ALDERVALE EXAMPLE,WT-0,0001,1.0", {
        "OUTPut[:STATe]": taking(1, 1, switch), "MEASure:VOLTage?": lambda _: nr3(1.25),
    }, operation=lambda: 0, questionable=lambda: 0, reset=lambda: None, before=lambda _: None)
    serve([("panel", instrument, "serial"), ("source", instrument, "tcp")], tick=lambda _: None, out=out,
          lifeline=sys.stdin.fileno(), control=control)


if __name__ == "__main__":
    main()
