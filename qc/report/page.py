"""The report of one take: a single HTML file that needs nothing beside it."""

from __future__ import annotations

import base64
import datetime
import functools
import hashlib
from importlib.resources import files
from typing import TYPE_CHECKING

from qc.records import TakeResult
from qc.report.sheet import Page, page_of
from qc.report.words import printable

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["render", "take_page"]


def take_page(
    result: TakeResult,
    *,
    stills: bool = True,
    written: datetime.datetime | None = None,
) -> str:
    """Return the HTML report of a take.

    Parameters
    ----------
    result : TakeResult
    stills : bool
        False leaves out every picture of the recording, and says so on the page.
    written : datetime, optional
        When the report is written; now, if left out.

    Returns
    -------
    str
        The whole file: style, script and pictures stand in it, and it forbids the
        browser any connection.
    """
    written = written or datetime.datetime.now().astimezone()
    return render(page_of(result, stills=stills, written=written))


def render(page: Page) -> str:
    """Return the HTML of a page's records."""
    script = _asset("page.js")
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest())
    html = (
        _environment()
        .get_template("page.html")
        .render(
            page=page,
            style=_asset("page.css"),
            script=script,
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

    return Environment(
        loader=PackageLoader("qc.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
