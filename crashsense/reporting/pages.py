"""One set of templates for all pages: head, style and caution are written once."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crashsense.resources import CACHE_VARIABLE, user_folder

if TYPE_CHECKING:
    from jinja2 import BytecodeCache, Environment

TEMPLATES = Path(__file__).parent / "templates"


def environment(*folders: Path) -> Environment:
    """Return the templates of pages: ``base.html.j2`` and what extends it, here or in *folders*.

    Values in a template are escaped; an undefined name in a template is an error.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader([*folders, TEMPLATES]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        bytecode_cache=_kept_code(),
    )


def _kept_code() -> BytecodeCache | None:
    """Where compiled templates are kept between runs: beside the nominal signals, if anywhere."""
    from jinja2 import FileSystemBytecodeCache

    class Kept(FileSystemBytecodeCache):
        def dump_bytecode(self, bucket: Any) -> None:
            with suppress(OSError):  # a full disk, or a folder that cannot be written
                super().dump_bytecode(bucket)

    folder = user_folder(CACHE_VARIABLE)
    if folder is None:
        return None
    try:
        (folder / "page").mkdir(parents=True, exist_ok=True)
    except OSError:
        return None
    return Kept(str(folder / "page"))
