"""The long soak: ``python -m tests.soak --units 5000 --seed N``. Prints its seed, its progress and what it came to."""

from __future__ import annotations

import argparse
import secrets
import sys
import tempfile
import warnings
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.soak.course import Soak
from tests.soak.telling import told


def main() -> int:
    """Soak; 0 when nothing was a surprise."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    parser.add_argument("--units", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=secrets.randbelow(10**6))
    parser.add_argument("--keep", type=Path, help="keep the log in this folder")
    options = parser.parse_args()
    warnings.simplefilter("error")
    print(f"seed {options.seed}", flush=True)
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as name:
        soak = Soak(options.keep or Path(name), options.seed, options.units,
                    lambda line: print(line, file=sys.stderr, flush=True))
        try:
            soak.run()
        finally:
            print("\n".join(told(soak)))
    return 1 if soak.books.surprises or soak.figures.findings else 0


if __name__ == "__main__":
    raise SystemExit(main())
