"""How long the program takes to start, over the bare interpreter: ``python tests/benchmarks/bench_start.py``.

``eolseq --help`` and ``eolseq check`` of one sequence, each as a process of its own, in turns with an interpreter that
does nothing; and what they import, which must not be pyvisa. Compiled modules are kept, as they are for a program that
was installed, in a folder of the benchmark's own.
"""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import tempfile
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


COMPILED = tempfile.TemporaryDirectory()
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"} \
    | {"PYTHONPYCACHEPREFIX": COMPILED.name}


def run(words: Sequence[str], *options: str) -> subprocess.CompletedProcess[str]:
    """An interpreter with these words, which must end well."""
    done = subprocess.run([sys.executable, *options, *words], cwd=ROOT, capture_output=True, text=True, check=False,
                          env=ENVIRONMENT)
    if done.returncode:
        raise SystemExit(f"{words} ended with {done.returncode}: {done.stderr}")
    return done


def milliseconds(words: Sequence[str]) -> tuple[float, float]:
    """How long a process of its own takes, and how long the processor works for it."""
    start, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    run(words)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    worked = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return (time.perf_counter() - start) * 1000, worked * 1000


def imports(words: Sequence[str]) -> list[tuple[int, str]]:
    """Microseconds that each imported module takes by itself, and its name."""
    lines = run(words, "-X", "importtime").stderr.splitlines()
    rows = [line.removeprefix("import time:").split("|") for line in lines if line.startswith("import time:")]
    return [(int(row[0]), row[2].strip()) for row in rows if row[0].strip().isdigit()]


def main() -> None:
    """Measure and print."""
    print(f"{ROUNDS} rounds, load {os.getloadavg()[0]:.1f}; milliseconds")
    every = [BARE, *COMMANDS]
    times: dict[Sequence[str], list[tuple[float, float]]] = {words: [] for words in every}
    for place in range(-1, ROUNDS):
        for words in every:
            taken = milliseconds(words)
            if place >= 0:  # the first time they are compiled
                times[words].append(taken)
    bare, bare_worked = (statistics.median(each) for each in zip(*times[BARE], strict=True))
    print(f"bare interpreter: {bare:.1f}, processor {bare_worked:.1f}")
    for words, target in COMMANDS.items():
        median, worked = (statistics.median(each) for each in zip(*times[words], strict=True))
        print(f"eolseq {' '.join(Path(each).name for each in words[2:])}: {median - bare:.1f} over it (target {target:g}),"
              f" processor {worked - bare_worked:.1f} over it; {median / bare:.2f} x the bare interpreter")
    for words in COMMANDS:
        found = imports(words)
        names = {name.split(".")[0] for _, name in found}
        print(f"eolseq {words[2]} imports {len(found)} modules, of the heavy ones: {sorted(names & set(HEAVY)) or 'none'};"
              " longest: " + ", ".join(f"{name} {us / 1000:.1f}" for us, name in sorted(found, reverse=True)[:BUSIEST]))


if __name__ == "__main__":
    main()
