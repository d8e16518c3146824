"""The gate of approval: what a real station needs signed before it tests, put together for a run."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.errors import Refused
from eolseq.records.approvals import DRIVER_PAGE, SEQUENCE, STATION_FILE
from eolseq.records.judged import standing_of
from eolseq.sequence.approval import Subject, approved

if TYPE_CHECKING:
    from eolseq.records.log import Log
    from eolseq.sequence.model import Sequence
    from eolseq.station.file import Station


class ApprovalGate:
    """Refuses a run on a real station whose sequence, station file or driver pages are not approved.

    ``index`` is the entry of the sequence's approval, None on a simulated station and in a trial. The station file and
    the driver pages must be signed in a trial too: they hold the ceilings and the guard.
    """

    def __init__(self, sequence: Sequence, station: Station, pages: Mapping[str, Any], log: Log, today: date,
                 *, trial: bool) -> None:
        self.index: int | None = None
        self._refusal: Refused | None = None
        if station.simulated:
            return
        try:
            standing = standing_of(log)
            for subject in (station_subject(station), *(page_subject(page) for page in _once(pages))):
                approved(subject, standing, today)
            if not trial:
                self.index = approved(sequence_subject(sequence), standing, today).index
        except Refused as error:
            self._refusal = error

    def __call__(self, serial: str) -> None:
        """Raise Refused when something is not approved."""
        if self._refusal is not None:
            raise self._refusal


class FilesGate:
    """Refuses to energise anything on a real station whose station file or driver pages are not approved."""

    def __init__(self, station: Station, pages: Mapping[str, Any], log: Log, today: date) -> None:
        self._refusal: Refused | None = None
        if station.simulated:
            return
        try:
            standing = standing_of(log)
            for subject in (station_subject(station), *(page_subject(page) for page in _once(pages))):
                approved(subject, standing, today)
        except Refused as error:
            self._refusal = error

    def __call__(self, serial: str) -> None:
        """Raise Refused when something is not approved."""
        if self._refusal is not None:
            raise self._refusal


def sequence_subject(sequence: Sequence) -> Subject:
    """A sequence as something to be approved."""
    return Subject(SEQUENCE, sequence.name, str(sequence.path), sequence.source)


def station_subject(station: Station) -> Subject:
    """A station file as something to be approved."""
    return Subject(STATION_FILE, station.name, str(station.path), _same(station.path, station.digest))


def page_subject(page: Any) -> Subject:
    """A driver page as something to be approved; one model may have a page for each of its roles."""
    return Subject(DRIVER_PAGE, f"{page.model} as {page.role}", page.path, _same(Path(page.path), page.digest))


def _once(pages: Mapping[str, Any]) -> list[Any]:
    return list({page.digest: page for page in pages.values()}.values())


def _same(path: Path, digest: str) -> bytes:
    """The bytes of a file that was loaded a moment ago; Refused when they are not the same any more."""
    import hashlib

    try:
        source = path.read_bytes()
    except OSError as error:
        raise Refused(f"{path} cannot be read: {error.strerror}.", "Put the file back.") from error
    if hashlib.sha256(source).hexdigest() != digest:
        raise Refused(f"{path} was changed while it was being read.", "Start again once it is at rest.")
    return source
