"""The report of a day: a single HTML file over the reports of its takes."""

from __future__ import annotations

import datetime
from collections.abc import Mapping

from qc.daybook import DayResult
from qc.limits import Limits
from qc.report.day_line import Times
from qc.report.day_sheet import DayPage, day_page_of
from qc.report.sheetmaker import html_of

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
    return html_of(
        page,
        template="day.html",
        styles=("page.css", "day.css"),
        script="day.js",
    )
