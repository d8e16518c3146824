"""Reference meters at a station that names no simulator: a person presses hold keys, pumps, and types what they show.

The instruments are served by ``eolseq simulate`` in a process of its own. The plant is invented.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from eolseq.records.reader import Records
from tests.commands.test_real_checks import MAINTAINER, WORDS, answered, enrolled
from tests.commands.test_real_path import SIMULATED, Bench, at_addresses

pytestmark = pytest.mark.real_lines

SHORT = {"runs: 4 s, run_down: 1.5 s": "runs: 2 s, run_down: 1 s", "at: [5 bar, 10 bar]": "at: [5 bar]"}


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    """A real station with reference meters, its files approved and its people enrolled."""
    monkeypatch.chdir(tmp_path)
    text = re.sub(r"\nchallenges:.*?\nceilings:", "\nceilings:", SIMULATED.read_text("utf-8"), count=1, flags=re.S)
    for right, short in SHORT.items():
        assert right in text
        text = text.replace(right, short)
    with at_addresses(Bench, text, "") as found:
        enrolled()
        yield found


def verify(bench: Bench, instrument: str, typed: dict[str, str]) -> tuple[int, str]:
    """Verify an instrument: exit code and words. ``typed``: by the question's words, what is typed at it each time."""
    bench.order(open="both")
    person, terminal = os.openpty()

    def types(line: str) -> Callable[[], object]:
        return lambda: os.write(person, line.encode() + b"\n")

    reactions: dict[str, Callable[[], object]] = {
        "Passphrase for": lambda: os.write(person, WORDS), "Type your operator id": lambda: os.write(person, MAINTAINER),
        "Close the guard": lambda: bench.order(close="both"), "Type 1, Enter": types("1"),
        "Take the known loads off": lambda: bench.order(place="manometer"),
        "its valve open to the air?": lambda: bench.order(pump=0),  # before "Type 1": the gauge is read at once after it
        "Pump to about 5 bar": lambda: bench.order(pump=500000),
        "Let the pressure off": lambda: bench.order(pump="off"),
        **{question: types(answer) for question, answer in typed.items()}}
    try:
        return answered(["-m", "eolseq", "verify", instrument, "--station", "bench.yaml", "--key", "keys/m-1.pem"],
                        terminal, reactions)
    finally:
        os.close(terminal)
        os.close(person)


def test_a_person_types_what_manometer_and_pressure_standard_show(bench: Bench) -> None:
    code, words = verify(bench, "airflow", {"What manometer holds": "62.0"})
    assert code == 0, words
    asked = words.index("What manometer holds, in Pa: type it, Enter.")
    assert words.index("Hold key of manometer ready? The fan runs for 2 s. Type 1, Enter.") < asked
    assert words.rindex("RED ON", 0, asked) < words.rindex("GREEN ON", 0, asked), "it is off before anybody is asked"
    assert "connect the good reference unit" in words and "connect the known loads" not in words

    code, words = verify(bench, "gauge", {"What standard shows": "5.08"})  # 1.6 % more than there is
    assert code == 1 and "DO NOW: Let the pressure off" in words, words
    assert "Keep clear" not in words, "no test is running while a gauge is pumped up"
    code, words = verify(bench, "gauge", {"What standard shows": "5.0003"})
    assert code == 0, words
    records = Records.open(Path("records"))
    signed = [each.payload for each in records.documents if each.kind == "verification"]
    assert [(each["instrument"]["name"], each["outcome"]) for each in signed] == [
        ("airflow", "pass"), ("gauge", "fail"), ("gauge", "pass")]
    assert all(each["document"] for each in signed), "signed by maintenance"
