"""The figures of a soak in words."""

from __future__ import annotations

from tests.soak.course import Soak


def told(soak: Soak) -> list[str]:
    """Lines for people."""
    figures, books = soak.figures, soak.books
    return [
        f"seed {figures.seed}: {figures.units} units in {books.scans} scans over {figures.days:.1f} days of plant time, "
        f"{figures.seconds:.0f} s here; {soak.plant.checks} checks of the station",
        f"lives of the program: {soak.plant.lives}; they ended: {dict(figures.ends)}",
        f"outcomes: {dict(books.outcomes.most_common())}",
        f"mishaps: {dict(books.mishaps.most_common())}",
        f"models: {dict(books.models)}; conditions of units: {len(books.conditions)} different; "
        f"refused for an earlier check: {dict(books.wanting)}",
        f"log: {books.size} entries, {books.debris} torn lines; {dict(books.kinds.most_common())}",
        f"paper: {books.labels} labels, {books.tickets} tickets",
        figures.watch.told(),
        f"audit: {len(figures.findings)} findings {figures.findings[:5]}",
        f"surprises: {len(books.surprises)}", *books.surprises[:40]]
