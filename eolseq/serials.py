"""Serial patterns: a small, safe part of regular expressions, so that no file can make matching slow.

A pattern is a row of characters, ``[A-Z0-9]`` sets and ``{n}`` or ``{n,m}`` counts; no stars, groups or choices.
"""

from __future__ import annotations

import re

RESERVED = "REFERENCE-"
"""How serials begin that belong to reference units and known loads; no unit may have one, and none is released."""

KNOWN_LOADS, BY_HAND, NO_UNIT, AIRFLOW = (f"{RESERVED}{what}" for what in ("KNOWN-LOADS", "BY-HAND", "NO-UNIT",
                                                                           "AIRFLOW"))
OF_THE_PROGRAM = (KNOWN_LOADS, BY_HAND, NO_UNIT, AIRFLOW)
"""What the program's own plans run under, where no unit is tested; no sequence file stands behind these to approve."""

LIKE = "letters, digits, dashes, sets such as [0-9] and counts such as {8}: DH6-[0-9]{8}"
_MOST_COUNTED = 40
_MOST_VARIABLE = 2

_SET = r"\[(?:[A-Za-z0-9_/.]|[A-Z]-[A-Z]|[a-z]-[a-z]|[0-9]-[0-9])+\]"
_COUNT = r"\{(?P<low>[0-9]{1,2})(?:,(?P<high>[0-9]{1,2}))?\}"
_ATOM = re.compile(rf"(?P<atom>[A-Za-z0-9_/ -]|\\[.]|{_SET})(?:{_COUNT})?")


def reserved(serial: str) -> bool:
    """Whether a serial belongs to a reference unit or to known loads, which can never be released or labelled."""
    return serial.upper().startswith(RESERVED)


def read_pattern(text: str) -> str:
    """The pattern itself if it keeps to the safe part; ValueError with a sentence if it does not."""
    if not 1 <= len(text) <= 120:
        raise ValueError(f"a pattern of {len(text)} characters; at most 120")
    position = variable = 0
    while position < len(text):
        found = _ATOM.match(text, position)
        if found is None:
            raise ValueError(f"'{text[position]}' in place {position + 1} of the pattern '{text}' is not allowed")
        variable += _check_counts(found, text)
        position = found.end()
    if variable > _MOST_VARIABLE:
        raise ValueError(f"more than {_MOST_VARIABLE} counts with two numbers in the pattern '{text}'")
    _compiles(text)
    return text


def example(pattern: str) -> str:
    """The first serial that fits a pattern: the first letter of every set, and the lowest of every count."""
    found = [(each["atom"], int(each["low"] or 1)) for each in _ATOM.finditer(pattern)]
    return "".join(atom.lstrip("[\\")[0] * times for atom, times in found)


def _check_counts(found: re.Match[str], text: str) -> int:
    """Check one count; 1 if it leaves a choice of lengths, else 0."""
    low, high = found["low"], found["high"]
    if low is None:
        return 0
    least, most = int(low), int(high or low)
    if not least <= most or not 1 <= most <= _MOST_COUNTED:
        raise ValueError(f"the count '{found[0][len(found['atom']):]}' in the pattern '{text}' cannot be met")
    return int(high is not None)


def _compiles(text: str) -> None:
    """A set such as [z-a] is well formed and means nothing; only compiling shows it."""
    try:
        re.compile(text, re.ASCII)
    except re.error as error:
        raise ValueError(f"the pattern '{text}' cannot be used: {error.msg}") from None


# -- the same as one regular expression, for the JSON Schema ------------------------------------------------------


def _up_to(most: int) -> str:
    """Numbers of one or two digits from 0 to ``most``, which is below 100."""
    tens, ones = divmod(most, 10)
    if not tens:
        return f"0?[0-{ones}]"
    return f"0?[0-9]|{f'[1-{tens - 1}][0-9]|' if tens > 1 else ''}{tens}[0-{ones}]"


def _rising(letters: str) -> str:
    """Ranges such as B-F whose ends are in order."""
    return "|".join(f"{first}-[{first}-{letters[-1]}]" for first in letters)


def whole_pattern() -> str:
    """Matches, whole, the patterns that ``read_pattern`` takes; made only when a schema is asked for."""
    ranges = "|".join(_rising(each) for each in ("ABCDEFGHIJKLMNOPQRSTUVWXYZ", "abcdefghijklmnopqrstuvwxyz",
                                                 "0123456789"))
    atom = rf"(?:[A-Za-z0-9_/ -]|\\[.]|\[(?:[A-Za-z0-9_/.]|{ranges})+\])"
    once = rf"\{{(?:0?[1-9]|[1-{_MOST_COUNTED // 10 - 1}][0-9]|{_MOST_COUNTED})\}}"
    between = "|".join(f"(?:{_up_to(most)}),{'0?' if most < 10 else ''}{most}" for most in range(1, _MOST_COUNTED + 1))
    fixed = f"(?:{atom}(?:{once})?)*"
    return rf"(?=[\s\S]{{1,120}}$){fixed}(?:{atom}\{{(?:{between})\}}{fixed}){{0,{_MOST_VARIABLE}}}"

