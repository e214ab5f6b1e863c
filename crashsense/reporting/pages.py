"""One set of templates for all pages: head, style and caution are written once."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATES = Path(__file__).parent / "templates"


def environment(*folders: Path) -> Environment:
    """Return the templates of pages: ``base.html.j2`` and what extends it, here or in *folders*.

    What is put into a template is escaped; a name that a template asks for and does not get is an
    error.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader([*folders, TEMPLATES]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
