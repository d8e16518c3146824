"""Where the data files that travel with the program are: sequences, driver pages, simulators."""

from __future__ import annotations

from pathlib import Path

from eolseq.errors import WrongUse

_PACKAGE = Path(__file__).resolve().parent


def folder() -> Path:
    """The folder that holds ``sequences/``, ``drivers/`` and ``simulators/`` as shipped."""
    installed = _PACKAGE / "shipped_data"
    return installed if installed.is_dir() else _PACKAGE.parent


def find(path: str | Path, *, shipped: bool) -> Path:
    """A file of the working folder or, where ``shipped`` allows it, the shipped one of the same name.

    WrongUse when there is neither. Only simulated stations may fall back to shipped files.
    """
    wanted = Path(path)
    if wanted.exists():
        return wanted
    fallback = folder() / wanted
    if shipped and not wanted.is_absolute() and ".." not in wanted.parts and fallback.is_file():
        return fallback
    raise WrongUse(f"The file {wanted} is not there.", "Check the name and the working folder.")
