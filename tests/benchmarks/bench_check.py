"""How long ``eolseq check`` and ``eolseq --help`` take over the bare interpreter, in the same run.

    python tests/benchmarks/bench_check.py

Byte code is kept in a folder of its own, as an installed program has it; the best of many starts counts, since other
work on the computer only ever adds.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time

STARTS = 25
LIMITS = {"--help": 40.0, "check": 120.0}  # milliseconds over the bare interpreter


def milliseconds(*words: str, folder: str) -> tuple[float, float]:
    """The best and the middle of many starts of the interpreter with these words."""
    known = {**os.environ, "PYTHONPYCACHEPREFIX": folder, "PYTHONDONTWRITEBYTECODE": ""}
    taken = []
    for _ in range(STARTS + 1):
        begun = time.perf_counter()
        subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=True, env=known)
        taken.append((time.perf_counter() - begun) * 1000)
    taken = sorted(taken[1:])  # the first start writes the byte code
    return taken[0], taken[len(taken) // 2]


def main() -> int:
    """Measure and print; 1 if a limit is not kept."""
    start = "from eolseq.__main__ import start; start()"
    commands = {"--help": ["--help"], "check": ["check", "sequences/duct-heater-6kw.yaml"]}
    with tempfile.TemporaryDirectory() as folder:
        bare, bare_middle = milliseconds("-c", "pass", folder=folder)
        print(f"bare interpreter: best {bare:.0f} ms, middle {bare_middle:.0f} ms")
        kept = True
        for name, words in commands.items():
            best, middle = milliseconds("-c", start, *words, folder=folder)
            over = best - bare
            kept = kept and over <= LIMITS[name]
            print(f"eolseq {name}: best {over:.0f} ms over bare (at most {LIMITS[name]:.0f}), middle "
                  f"{middle - bare_middle:.0f} ms over bare")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
