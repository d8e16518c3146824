"""The long soak: ``python -m tests.soak --units 5000 --seed N``. Prints its seed, its progress and what it came to.

With ``--bays 2`` (to 4) it is one at several bays.
"""

from __future__ import annotations

import argparse
import secrets
import sys
import tempfile
import warnings
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.soak.bays import Hall
from tests.soak.course import Soak
from tests.soak.telling import told


def main() -> int:
    """Soak; 0 when nothing was a surprise, the audit found nothing and nothing was left behind."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    parser.add_argument("--units", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=secrets.randbelow(10**6))
    parser.add_argument("--minutes", type=float, default=1e6, help="after so long no further unit comes")
    parser.add_argument("--bays", type=int, choices=(1, 2, 3, 4), default=1)
    parser.add_argument("--keep", type=Path, help="keep the log in this folder")
    options = parser.parse_args()
    warnings.simplefilter("error")
    print(f"seed {options.seed}", flush=True)
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as name:
        if options.bays > 1:
            return at_bays(Path(name), options)
        soak = Soak(options.keep or Path(name), options.seed, options.units,
                    lambda line: print(line, file=sys.stderr, flush=True), options.minutes)
        try:
            soak.run()
        finally:
            print("\n".join(told(soak)))
    return 1 if soak.books.surprises or soak.figures.findings or soak.figures.leaks else 0


def at_bays(folder: Path, options: argparse.Namespace) -> int:
    """A soak at several bays; 0 when nothing was a surprise."""
    hall = Hall(folder, options.seed, options.bays, options.units)
    try:
        books = hall.run()
    finally:
        print(*hall.told(), sep="\n")
    return 1 if books.surprises or hall.watch.leaks else 0


if __name__ == "__main__":
    raise SystemExit(main())
