"""Orders to a simulated station in a process of its own: over when they are carried out, and one it cannot do is told."""

from __future__ import annotations

import pytest

from eolseq.commands.wiring import simulated_bench
from eolseq.errors import StationFault
from eolseq.station.file import load_station
from tests.rig import ROOT

pytestmark = pytest.mark.real_lines

PATH = ROOT / "simulators/demo-station.yaml"


def test_an_order_is_over_when_it_is_carried_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    with simulated_bench(load_station(PATH), PATH, "DH6-00000001") as (_, order):
        order({"pump": 1000.0})
        shown = order({"read": "standard"})
        assert shown == pytest.approx(1000.0, rel=0.02), "it was pumped before it was read"
        order({"load": {"serial": "DH6-00000002", "defect": None}})
        with pytest.raises(StationFault, match=r"did not carry out an order \(dance\): There is no order 'dance'"):
            order({"dance": True})
        with pytest.raises(StationFault, match="load"):
            order({"load": {"serial": "DH6-00000002", "defect": "no-such-defect"}})
        order({"pump": "off"})
        assert order({"read": "standard"}) is None, "no pump is at the hose"
