"""Reads a page of either kind: a driver page, or a register page."""

from __future__ import annotations

from pathlib import Path

from eolseq.instruments.page import PAGE
from eolseq.instruments.page_builder import build_page
from eolseq.instruments.page_model import Page
from eolseq.instruments.register_model import RegisterPage
from eolseq.instruments.register_page import REGISTER_PAGE, build_register_page
from eolseq.shape import load_file

AnyPage = Page | RegisterPage


def load_any_page(path: Path) -> AnyPage:
    """Read and check a driver page or a register page; FileMistakes with everything that is wrong with it."""
    item, findings, source = load_file(path, {"driver page": PAGE, "register page": REGISTER_PAGE})
    if item["kind"] == "register page":
        return build_register_page(item, findings, source, str(path))
    return build_page(item, findings, str(path), source)
