"""The report of one take: a single HTML file that needs nothing beside it."""

from __future__ import annotations

import datetime
from concurrent.futures import ThreadPoolExecutor

from qc.records import TakeResult
from qc.report.sheet import Page, page_of
from qc.report.sheetmaker import compile_templates, html_of

__all__ = ["render", "take_page"]


def take_page(
    result: TakeResult,
    *,
    stills: bool = True,
    name: str = "",
    written: datetime.datetime | None = None,
) -> str:
    """Return the HTML report of a take.

    Parameters
    ----------
    result : TakeResult
    stills : bool
        False leaves out every picture of the recording, and says so on the page.
    name : str
        What tells the take from others of its name; the file's if left out.
    written : datetime, optional
        When the report is written; now, if left out.

    Returns
    -------
    str
        The whole file: style, script and pictures stand in it, and it forbids the
        browser any connection.
    """
    written = written or datetime.datetime.now().astimezone()
    with ThreadPoolExecutor(1, thread_name_prefix="qc-templates") as beside:
        # Frames are decoded meanwhile, which leaves Python and a processor free.
        compiled = beside.submit(compile_templates, besides="day")
        page = page_of(result, stills=stills, written=written, name=name)
        compiled.result()
    return render(page)


def render(page: Page) -> str:
    """Return the HTML of a page's records."""
    return html_of(page, template="page.html", styles=("page.css",), script="page.js")
