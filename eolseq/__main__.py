"""The command line: finds the command, runs it, and turns every error into a sentence and an exit code."""

from __future__ import annotations

import argparse
import gc
import importlib
import sys
from contextlib import suppress
from types import ModuleType
from typing import Any

from eolseq import __version__
from eolseq.errors import EolseqError

COMMANDS = {
    "run": "run one unit through its sequence, to a signed record",
    "shift": "run a shift: sign in, then scan, test and label unit after unit",
    "check": "check files and show what a sequence does",
    "new": "write a commented starting file",
    "batch": "work a band out from a batch of sound units",
    "approve": "sign a sequence, driver pages or a station file",
    "keys": "make, show, enrol, replace and revoke the keys of the people who sign",
    "simulate": "serve a simulated station on loopback sockets and pseudo-terminals",
    "records": "list the runs in a station's log, or show those on one unit",
    "review": "what a log says of the line: yield, failures, stops, bays, drift, pace",
    "instruments": "show who answers at the bench, how fast, and whether each may be tested with today",
    "talk": "ask an instrument by hand; with --energise, tell it",
    "verify": "hold instruments against known loads",
    "challenge": "show the station reference units with known faults",
    "fixture": "measure or inspect fixtures and lead sets",
    "unlock": "put a locked station back into use",
    "people": "say who may run which sequence, and until when",
    "rework": "enter what was done to a unit that did not pass",
    "release": "let a unit go whose heater or motor reading was undecided",
    "void": "say that a unit's pass counts no more",
    "enter": "enter the result of a check that a unit had elsewhere",
    "label": "print a unit's or a carton's label, or check a scanned one",
    "suspects": "list the units that an instrument tested since it was last verified as good",
    "audit": "check every signature, index and root of a log",
    "manual": "show the manual, or list its topics",
}
"""Each command with the first line of its help, so that the list is shown without importing them."""

EXIT_CODES = """exit codes:
  0  pass, or in order
  1  failed or undecided, or an audit finding
  2  wrong use, or a mistake in a file
  3  refused before anything was energised
  4  stopped
  5  station fault, and every error nobody foresaw"""


def parser_for(modules: list[ModuleType]) -> argparse.ArgumentParser:
    """The parser with one sub-command for each module; the other commands are only listed."""
    top = argparse.ArgumentParser(
        prog="eolseq", formatter_class=argparse.RawDescriptionHelpFormatter, epilog=EXIT_CODES,
        description="End-of-line electrical safety test sequencer. The hard-wired interlock of the station is the "
                    "safety function, never this program.")
    top.add_argument("--version", action="version", version=f"eolseq {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND")
    loaded = {module.NAME: module for module in modules}
    for name, line in COMMANDS.items():
        if name in loaded:
            _declare(loaded[name], commands.add_parser(name, help=line))
        else:
            commands.add_parser(name, help=line)
    return top


def _declare(module: ModuleType, parser: argparse.ArgumentParser) -> None:
    """What a command takes and says, in the parser of its own."""
    parser.description, parser.epilog = module.HELP, EXIT_CODES
    module.arguments(parser)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.set_defaults(command=module.NAME, do=module.run)


class _Unseen(argparse.HelpFormatter):
    """Tries every option's help while it is declared; a width of its own spares the import that asks the terminal."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, width=200)


def _options(words: list[str]) -> argparse.Namespace:
    """The words as options; a command that stands first is read by its own parser, without making the other ones."""
    if words and words[0] in COMMANDS:
        parser = argparse.ArgumentParser(prog=f"eolseq {words[0]}", formatter_class=_Unseen)
        _declare(importlib.import_module(f"eolseq.commands.{words[0]}"), parser)
        return parser.parse_args(words[1:])
    return parser_for(_modules(words)).parse_args(words)


def _modules(words: list[str]) -> list[ModuleType]:
    """Only the command that is asked for is imported."""
    named = [word for word in words if not word.startswith("-")][:1]
    return [importlib.import_module(f"eolseq.commands.{name}") for name in named if name in COMMANDS]


def main(words: list[str] | None = None) -> int:
    """Run the program with these words (the command line's by default) and give the exit code."""
    words = sys.argv[1:] if words is None else words
    try:
        options = _options(words)
        if options.command is None:
            parser_for([]).print_help()
            return 2
        code: int = options.do(options)
        return code
    except EolseqError as error:
        return _say(error)
    except BrokenPipeError:
        sys.stderr.close()
        return 5
    except KeyboardInterrupt:
        _tell("Stopped from the keyboard; nothing was energised.")
        return 3
    except Exception as error:  # the door to voltage has made safe on the way here
        return _unforeseen(error)


def _say(error: EolseqError) -> int:
    _tell(str(error))
    return error.exit_code


def _tell(words: str) -> None:
    """Words for people; a terminal that is gone changes no exit code."""
    with suppress(OSError):
        print(words, file=sys.stderr)


def _unforeseen(error: Any) -> int:
    import traceback

    _tell("".join(traceback.format_exception(error)))
    _tell("The program failed. Everything it had switched on was switched off on the way out; look at the lamps before "
          "you open the guard. Report the lines above to whoever maintains the program.")
    return 5


def start() -> None:
    """The program as a process of its own: runs the command line and exits with its code."""
    if sys.argv[1:2] == ["check"]:
        gc.disable()  # it is over in a moment and makes no garbage worth a tenth of its time
    code = main()
    gc.freeze()  # all memory goes back at once in a moment; there is no use in looking through it once more before
    sys.exit(code)


if __name__ == "__main__":
    start()
