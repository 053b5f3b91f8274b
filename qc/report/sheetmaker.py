"""From page records to one HTML file: templates, style and script put together."""

from __future__ import annotations

import base64
import functools
import hashlib
from collections.abc import Sequence
from importlib.resources import files
from typing import TYPE_CHECKING

from qc.report.words import printable, unbroken

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["compile_templates", "html_of"]


def compile_templates(*, besides: str) -> None:
    """Get all templates ready but those whose names begin with a word.

    Putting a page together does the same for what it needs, at its own time.
    """
    environment = _environment()
    for name in environment.list_templates():
        if not name.startswith(besides):
            environment.get_template(name)


def html_of(page: object, *, template: str, styles: Sequence[str], script: str) -> str:
    """Return a page's HTML, complete in itself.

    Parameters
    ----------
    page : object
        View records; the template finds them under ``page``.
    template, script : str
        File names in ``templates`` and ``assets``.
    styles : sequence of str
        File names in ``assets``, one after another.
    """
    code = _asset(script)
    digest = base64.b64encode(hashlib.sha256(code.encode("utf-8")).digest())
    html = (
        _environment()
        .get_template(template)
        .render(
            page=page,
            style="".join(_asset(name) for name in styles),
            script=code,
            # Only this script may run, whatever a name or a tag of a file says.
            script_hash=f"sha256-{digest.decode('ascii')}",
        )
    )
    return printable(html)


def _asset(name: str) -> str:
    """Return a text file of the report, which holds no ``</`` that would end it."""
    text = files("qc.report").joinpath("assets", name).read_text(encoding="utf-8")
    return printable(text)


@functools.cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("qc.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # For our own sentences: names of files are left as they are.
    environment.filters["unbroken"] = unbroken
    return environment
