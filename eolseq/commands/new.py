"""``eolseq new``: a commented starting file of any kind, which passes ``eolseq check`` as it is."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import Any

from eolseq.commands.kinds import KINDS, fields_of
from eolseq.errors import WrongUse

NAME = "new"
HELP = """write a commented starting file

Writes NAME.yaml, with examples of ours as values and beside each key what it is for. It passes 'eolseq check' as it is;
every value in it is an example, and what says CHANGE has to be."""

STARTS = Path(__file__).resolve().parent / "starts"
_TOPICS = {"sequence": "sequences", "page": "driver-pages", "register-page": "register-pages", "station": "stations",
           "simulator": "simulators", "label": "labels"}
_FORM = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,18}")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the kind of file, its name and, for a driver page, the role."""
    parser.add_argument("kind", metavar="KIND", choices=KINDS, help="one of " + ", ".join(KINDS))
    parser.add_argument("name", metavar="NAME", help="letters, digits and dashes, perhaps after a folder: "
                        "sequences/my-heater; .yaml is added")
    parser.add_argument("--role", metavar="ROLE", help="for a page: the part the instrument plays, such as "
                        "resistance_meter")


def run(options: argparse.Namespace) -> int:
    """Write the file and say where it is; 0. WrongUse where there is one already."""
    path = Path(options.name if options.name.endswith(".yaml") else f"{options.name}.yaml")
    if not _FORM.fullmatch(path.stem):
        raise WrongUse(f"'{path.stem}' is no name for a file of ours.", "Take up to 19 letters, digits and dashes.")
    text = start_of(options.kind, path, options.role)
    try:
        with path.open("x", encoding="utf-8") as stream:
            stream.write(text)
    except FileExistsError:
        raise WrongUse(f"The file {path} is there already.", "Take another name; nothing is overwritten.") from None
    except OSError as error:
        raise WrongUse(f"The file {path} cannot be written: {error.strerror}.", "Check the folder.") from None
    print(f"{path} is written. Put your own values in, then: eolseq check {path}")
    return 0


def start_of(kind: str, path: Path, role: str | None = None) -> str:
    """The text of a starting file of a kind, named by its path; ``role`` is that of a driver page's instrument."""
    from eolseq.commands.starting import starting_text

    if role is not None and kind != "page":
        raise WrongUse(f"A {kind} plays no role.", "Leave --role out, or ask for a page.")
    values = _page(path.stem, role) if kind == "page" else _values(kind, path.stem)
    return starting_text(_head(kind, path), KINDS[kind], fields_of(kind), values)


def _head(kind: str, path: Path) -> str:
    return (f"A starting file from 'eolseq new {kind}'. Every value is an example of ours and none is advice: put\n"
            "your own in its place, above all where it says CHANGE. Beside each key stands what it is for, where it\n"
            "first appears; a key behind '#' may stand there or not. Values carry their unit: 230 V, 0.1 ohm, 200 ms.\n"
            f"Check it: eolseq check {path}. Every key: eolseq manual {_TOPICS[kind]}.")


def _values(kind: str, name: str) -> dict[str, Any]:
    import yaml

    text = (STARTS / f"{kind}.yaml").read_text(encoding="utf-8")
    values: dict[str, Any] = yaml.load(text, Loader=yaml.BaseLoader)
    if kind == "register-page":
        return {**values, "identity": {**values["identity"], "model": name}}
    return {**values, "name": name}


def _page(model: str, role: str | None) -> dict[str, Any]:
    from eolseq.commands.start_page import page_values
    from eolseq.instruments.roles import ROLES
    from eolseq.quantity import nearest

    wanted = role or "resistance_meter"
    if wanted not in ROLES:
        near = nearest(wanted, ROLES)
        raise WrongUse(f"There is no role '{wanted}'.", (f"Did you mean '{near}'? " if near else "")
                       + "The roles are " + ", ".join(ROLES) + ".")
    return page_values(wanted, model)
