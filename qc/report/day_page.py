"""The report of a day: a single HTML file over the reports of its takes."""

from __future__ import annotations

import base64
import datetime
import functools
import hashlib
from collections.abc import Mapping
from importlib.resources import files
from typing import TYPE_CHECKING

from qc.daybook import DayResult
from qc.limits import Limits
from qc.report.day_line import Times
from qc.report.day_sheet import DayPage, day_page_of
from qc.report.words import printable

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["day_page", "render_day"]


def day_page(
    result: DayResult,
    limits: Limits,
    *,
    stills: bool = True,
    times: Times | None = None,
    cameras: Mapping[str, str] | None = None,
    written: datetime.datetime | None = None,
) -> str:
    """Return the HTML report of a day.

    Parameters
    ----------
    result : DayResult
    limits : Limits
        House limits that the takes were judged by.
    stills : bool
        False leaves out the small pictures of the takes, and says so on the page.
    times : mapping of take name to (start, end, basis), optional
        Seconds on the day's clock and what they are read from; the result's own if
        left out. Without any there is no timeline.
    cameras : mapping of take name to label, optional
        The result's own if left out.
    written : datetime, optional
        When the report is written; now, if left out.

    Returns
    -------
    str
        The whole file: style, script and pictures stand in it, it forbids the browser
        any connection, and links lead to the takes' reports beside it.
    """
    page = day_page_of(
        result,
        limits,
        stills=stills,
        times=result.times if times is None else times,
        cameras=result.cameras if cameras is None else cameras,
        written=written or datetime.datetime.now().astimezone(),
    )
    return render_day(page)


def render_day(page: DayPage) -> str:
    """Return the HTML of a page's records."""
    script = _asset("day.js")
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest())
    html = (
        _environment()
        .get_template("day.html")
        .render(
            page=page,
            style=_asset("page.css") + _asset("day.css"),
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
