"""An auditor with the log of two bays alone: which unit was where, by whom, with what, and what was refused there."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.records.audit import audit
from tests.bays_rig import BaysRig
from tests.line.test_shift_bays import SIGN_IN, Day, plate
from tests.rig import ROOT


@pytest.fixture
def records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The records of a shift at two bays with a unit at each, and one that was scanned at the wrong bay."""
    with BaysRig(tmp_path) as rig:
        Day(rig).run(*SIGN_IN, (3.0, "bay-1"), (1.0, plate("DH6-00000001")), (1.5, "bay-2"), (1.0, plate("DH6-00000001")),
                     (1.5, plate("DH6-00000002")), (40.0, "=end"))
        folder = rig.log.path.parent
    monkeypatch.chdir(tmp_path)
    return folder


def test_the_list_has_the_bay_and_the_last_run_its_instruments(records: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["records"]) == 0
    rows = [line.split() for line in capsys.readouterr().out.splitlines() if "DH6-" in line]
    assert [(row[2], row[3]) for row in rows] == [("DH6-00000001", "bay-1"), ("DH6-00000002", "bay-2")]
    assert main(["records", "DH6-00000002"]) == 0
    shown = capsys.readouterr().out
    assert "sequence Duct heater 6 kW, at bay-2, operator op-07" in shown
    stood = next(line for line in shown.splitlines() if line.startswith("instruments at the bay: "))
    assert "residual-2 (DV-2, serial SIM-1202)" in stood and "withstand (WT-5, serial SIM-1001)" in stood
    assert "residual-1" not in stood


def test_runs_are_looked_up_by_bay(records: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["records", "--bay", "bay-1"]) == 0
    shown = capsys.readouterr().out
    assert "DH6-00000001" in shown and "DH6-00000002" not in shown
    assert main(["records", "DH6-00000001", "--bay", "bay-2"]) == 2
    assert "holds no run on unit DH6-00000001 that fits" in capsys.readouterr().err


def test_the_manuals_questions_are_answered_by_jq_alone(records: Path) -> None:
    """jq 1.6 or newer, https://jqlang.github.io/jq/manual/: ``@base64d``, ``fromjson``, ``@tsv``."""
    blocks = re.findall(r"```bash\n(.*?)```", (ROOT / "eolseq/manual/auditing.md").read_text(encoding="utf-8"), re.DOTALL)
    done = subprocess.run(["bash", "-euc", next(each for each in blocks if "sign_in" in each)], cwd=records, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    rows = [line.split("\t") for line in done.stdout.splitlines()]
    tested = [(row[1], row[2], row[4], row[5]) for row in rows if len(row) == 7]
    assert tested == [("bay-1", "DH6-00000001", "pass", "op-07"), ("bay-2", "DH6-00000002", "pass", "op-07")]
    assert all(f"residual-{row[1][-1]} SIM-1{row[1][-1]}02" in row[6] for row in rows if len(row) == 7)
    refused = [(row[1], row[2]) for row in rows if len(row) == 4 and "is being tested in bay-1" in row[3]]
    assert refused == [("bay-2", "DH6-00000001")]
    signed_in = [(row[1], row[2], row[3]) for row in rows if len(row) == 5]
    assert signed_in == [("bay-1", "op-07", "in"), ("bay-2", "op-07", "in")]
    assert not audit(records / "log.jsonl").findings
