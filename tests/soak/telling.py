"""The figures of a soak in words."""

from __future__ import annotations

from tests.soak.course import Soak


def told(soak: Soak) -> list[str]:
    """Lines for people."""
    figures, books = soak.figures, soak.books
    resident = figures.resident or [(0, 0)]
    late = [each for each in resident if each[0] >= books.scans // 5] or resident
    grown = (late[-1][1] - late[0][1]) * 1024 / max(1, late[-1][0] - late[0][0])
    return [
        f"seed {figures.seed}: {figures.units} units in {books.scans} scans over {figures.days:.1f} days of plant time, "
        f"{figures.seconds:.0f} s here; {soak.plant.checks} checks of the station",
        f"lives of the program: {soak.plant.lives}; they ended: {dict(figures.ends)}",
        f"outcomes: {dict(books.outcomes.most_common())}",
        f"mishaps: {dict(books.mishaps.most_common())}",
        f"conditions of units: {len(books.conditions)} different",
        f"log: {books.size} entries, {books.debris} torn lines; {dict(books.kinds.most_common())}",
        f"paper: {books.labels} labels, {books.tickets} tickets",
        f"descriptors between lives: {min(figures.descriptors, default=0)} to {max(figures.descriptors, default=0)}; "
        f"processes left over: {figures.left_over}",
        f"resident memory: {late[0][1]} KiB after a fifth, {late[-1][1]} KiB at the end, {grown:.0f} bytes a scan",
        f"audit: {len(figures.findings)} findings {figures.findings[:5]}",
        f"surprises: {len(books.surprises)}", *books.surprises[:40]]
