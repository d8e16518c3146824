"""How long the program takes to start, over the bare interpreter: ``python tests/benchmarks/bench_start.py``.

``eolseq --help`` and ``eolseq check`` of one sequence, each as a process of its own, in turns with an interpreter that
does nothing; and what they import, which must not be pyvisa.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]
ROUNDS = 30
BARE = ("-c", "pass")
COMMANDS = {
    # words after the interpreter: milliseconds over the bare interpreter, as aimed at
    ("-m", "eolseq", "--help"): 40.0,
    ("-m", "eolseq", "check", str(ROOT / "sequences/duct-heater-6kw.yaml")): 120.0,
}
HEAVY = ("pyvisa", "pyvisa_py", "serial", "rich", "transitions", "cryptography", "greenlet")
BUSIEST = 12  # imports shown


def run(words: Sequence[str], *options: str) -> subprocess.CompletedProcess[str]:
    """An interpreter with these words, which must end well."""
    done = subprocess.run([sys.executable, *options, *words], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{words} ended with {done.returncode}: {done.stderr}")
    return done


def milliseconds(words: Sequence[str]) -> float:
    """How long a process of its own takes."""
    start = time.perf_counter()
    run(words)
    return (time.perf_counter() - start) * 1000


def imports(words: Sequence[str]) -> list[tuple[int, str]]:
    """Microseconds that each imported module takes by itself, and its name."""
    lines = run(words, "-X", "importtime").stderr.splitlines()
    rows = [line.removeprefix("import time:").split("|") for line in lines if line.startswith("import time:")]
    return [(int(row[0]), row[2].strip()) for row in rows if row[0].strip().isdigit()]


def main() -> None:
    """Measure and print."""
    print(f"{ROUNDS} rounds, load {os.getloadavg()[0]:.1f}; milliseconds")
    every = [BARE, *COMMANDS]
    times: dict[Sequence[str], list[float]] = {words: [] for words in every}
    for _ in range(ROUNDS):
        for words in every:
            times[words].append(milliseconds(words))
    bare, quickest = statistics.median(times[BARE]), min(times[BARE])
    print(f"bare interpreter: median {bare:.1f}, least {quickest:.1f}")
    for words, target in COMMANDS.items():
        median, least = statistics.median(times[words]), min(times[words])
        print(f"eolseq {Path(words[2]).name} {' '.join(Path(each).name for each in words[3:])}: median {median - bare:.1f} over it"
              f" (target {target:g}), least {least - quickest:.1f}; {median / bare:.2f} x the bare interpreter")
    for words in COMMANDS:
        found = imports(words)
        names = {name.split(".")[0] for _, name in found}
        print(f"eolseq {words[2]} imports {len(found)} modules, of the heavy ones: {sorted(names & set(HEAVY)) or 'none'};"
              " longest: " + ", ".join(f"{name} {us / 1000:.1f}" for us, name in sorted(found, reverse=True)[:BUSIEST]))


if __name__ == "__main__":
    main()
