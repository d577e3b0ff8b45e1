"""Engraving: a Score and its Reading as SVG pages, excerpts, PNG pictures and one PDF."""

from understave.engraving.options import Options
from understave.engraving.pages import engrave, excerpt
from understave.engraving.pictures import to_pdf, to_png

__all__ = ["Options", "engrave", "excerpt", "to_pdf", "to_png"]
