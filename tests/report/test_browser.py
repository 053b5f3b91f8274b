"""The page in a real browser: no network, no errors, and all there without scripts."""

from __future__ import annotations

import importlib.util
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from qc.pipeline import check_take
from qc.records import Finding, TakeResult
from qc.report.page import take_page

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

SAMPLES = Path(__file__).parents[2] / "sample_media"
TAKES = sorted(p.name for p in SAMPLES.glob("take*.m*"))
CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))),
    None,
)
HOSTILE = "<script>alert(1)</script> \"x\" 'y'.mov"

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(
        importlib.util.find_spec("playwright") is None,
        reason="playwright is not installed (extra dev)",
    ),
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the path"),
]


class Watch:
    """What a page asked for and complained about."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.requests: list[str] = []
        self.complaints: list[str] = []
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("dialog", self._dialog)

    def _dialog(self, dialog: object) -> None:
        self.complaints.append("a dialog opened")
        dialog.dismiss()  # type: ignore[attr-defined]

    def open(self, path: Path) -> None:
        self.page.goto(path.as_uri())
        outside = [u for u in self.requests if not u.startswith("data:")]
        assert outside == [path.as_uri()]
        assert self.complaints == []


@pytest.fixture(scope="session")
def reports(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Reports of every sample take, and of one with many findings and a bad name."""
    folder = tmp_path_factory.mktemp("pages")
    out: dict[str, Path] = {}
    for name in TAKES:
        result = check_take(SAMPLES / name)
        assert isinstance(result, TakeResult), result
        out[name] = folder / f"{name}.html"
        out[name].write_text(take_page(result), encoding="utf-8")
        if result.findings and "many" not in out:
            out["many"] = folder / "many.html"
            out["many"].write_text(
                take_page(_hostile(result, channels=3), stills=False), encoding="utf-8"
            )
            out["folded"] = folder / "folded.html"
            out["folded"].write_text(
                take_page(_hostile(result, channels=1), stills=False), encoding="utf-8"
            )
    return out


def _hostile(result: TakeResult, *, channels: int) -> TakeResult:
    """Return a result with twelve findings; those of one channel share a row."""

    def at(i: int) -> Finding:
        first = result.findings[0]
        grid = result.info.grid
        return replace(
            first,
            start=grid.seconds(5 * i),
            end=grid.seconds(5 * i + 1 + i % 4),
            start_frame=5 * i,
            end_frame=5 * i + 1 + i % 4,
            message=HOSTILE,
            channel=1 + i % channels,
        )

    info = replace(result.info, path=Path(HOSTILE.replace("/", "∕")))
    return replace(result, info=info, findings=tuple(at(i) for i in range(12)))


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        yield chromium
        chromium.close()


@pytest.fixture
def watch(browser: Browser) -> Iterator[Watch]:
    page = browser.new_page(reduced_motion="reduce")
    yield Watch(page)
    page.close()


@pytest.mark.parametrize("name", TAKES)
def test_every_report_opens_without_network_or_errors(
    name: str, reports: dict[str, Path], watch: Watch
) -> None:
    watch.open(reports[name])
    page = watch.page
    assert page.locator("#verdict").is_visible()
    assert page.locator("#findings").is_visible()
    word = page.locator("#verdict").inner_text()
    assert any(w in word for w in ("Clean", "Review", "Reject"))
    rows = page.locator("table.findings tbody tr").count()
    assert (rows == 0) == ("Clean" in word)
    assert reports[name].stat().st_size < 5_000_000
    broken = page.evaluate(
        "[...document.images].filter(i => !i.complete || !i.naturalWidth).length"
    )
    assert broken == 0


@pytest.mark.parametrize("width", [420, 1280])
@pytest.mark.parametrize("name", [TAKES[1], "many", "folded"])
def test_nothing_hangs_over_the_edge(
    name: str, width: int, reports: dict[str, Path], watch: Watch
) -> None:
    watch.page.set_viewport_size({"width": width, "height": 900})
    watch.open(reports[name])
    assert watch.page.evaluate("document.documentElement.scrollWidth") <= width


def test_all_is_there_without_scripts(
    reports: dict[str, Path], browser: Browser
) -> None:
    context = browser.new_context(java_script_enabled=False)
    watch = Watch(context.new_page())
    watch.open(reports["many"])
    page = watch.page
    assert page.locator("table.findings tbody tr").count() == 12
    for part in (
        "verdict",
        "usable",
        "strip",
        "findings",
        "file",
        "method",
        "cautions",
    ):
        assert page.locator(f"#{part}").is_visible()
    # What only a script can do is not offered.
    assert page.locator(".tools").is_hidden()
    assert page.locator(".filter").is_hidden()
    assert page.locator("table.findings thead button").count() == 0
    context.close()


def test_hostile_names_show_as_text(reports: dict[str, Path], watch: Watch) -> None:
    watch.open(reports["many"])
    name = HOSTILE.replace("/", "∕")
    assert watch.page.locator("h1").inner_text() == name
    assert name in watch.page.title()
    assert HOSTILE in watch.page.locator("#f1").inner_text()


def test_headings_sort(reports: dict[str, Path], watch: Watch) -> None:
    watch.open(reports["many"])
    page = watch.page
    button = page.get_by_role("button", name="Duration")
    heading = page.locator("th", has=button)
    assert heading.get_attribute("aria-sort") == "none"
    button.click()
    assert heading.get_attribute("aria-sort") == "ascending"
    numbers = page.locator("table.findings tbody th").all_inner_texts()
    # Lengths 1, 2, 3, 4 frames in turn; equal ones keep their order.
    assert numbers[:4] == ["1", "5", "9", "2"]
    button.click()
    assert heading.get_attribute("aria-sort") == "descending"
    numbers = page.locator("table.findings tbody th").all_inner_texts()
    assert numbers[:4] == ["4", "8", "12", "3"]


def test_keys_go_from_finding_to_finding(
    reports: dict[str, Path], watch: Watch
) -> None:
    watch.open(reports["many"])
    page = watch.page

    def place() -> str:
        return str(page.evaluate("location.hash"))

    page.keyboard.press("n")
    assert place() == "#f1"
    page.keyboard.press("n")
    assert place() == "#f2"
    assert page.evaluate("document.activeElement.id") == "f2"
    page.keyboard.press("p")
    assert place() == "#f1"
    page.keyboard.press("Control+j")
    page.keyboard.press("Alt+j")
    assert place() == "#f1"
    page.locator("select").first.focus()
    page.keyboard.press("n")
    assert place() == "#f1"
    page.locator("h1").click()
    page.keyboard.press("?")
    assert page.locator("#keys").is_visible()
    page.keyboard.press("Escape")
    assert page.locator("#keys").is_hidden()


def test_filters_hide_rows(reports: dict[str, Path], watch: Watch) -> None:
    watch.open(reports["many"])
    page = watch.page
    page.locator("select[data-filter=grade]").select_option("note")
    assert page.locator("table.findings tbody tr:visible").count() == 0
    assert page.locator(".filter output").inner_text() == "0 of 12 shown"


def test_a_link_to_a_finding_arrives(reports: dict[str, Path], watch: Watch) -> None:
    watch.page.goto(reports["many"].as_uri() + "#f11")
    assert watch.page.locator("#f11").evaluate("e => e.matches(':target')")
    assert watch.page.locator("#f11").is_visible()
    box = watch.page.locator("#f11").bounding_box()
    assert box is not None
    assert 0 <= box["y"] < 900


@pytest.mark.parametrize("scripts", [True, False])
def test_what_shares_a_row_is_listed_and_printed(
    scripts: bool, reports: dict[str, Path], browser: Browser
) -> None:
    context = browser.new_context(java_script_enabled=scripts, reduced_motion="reduce")
    page = context.new_page()
    page.goto(reports["folded"].as_uri())
    assert page.locator("table.findings tbody tr").count() == 1
    assert page.locator("#f7").is_hidden()
    page.goto(reports["folded"].as_uri() + "#f7")
    page.locator("#f7").wait_for(state="visible", timeout=5000)
    page.goto("about:blank")
    page.goto(reports["folded"].as_uri())
    page.emulate_media(media="print")
    assert page.locator(".times li:visible").count() == 12
    context.close()


def test_it_prints_on_paper(reports: dict[str, Path], watch: Watch) -> None:
    watch.open(reports[TAKES[1]])
    paper = watch.page.pdf(prefer_css_page_size=True)
    assert paper.startswith(b"%PDF")
    # A4 in points: 210 x 297 mm.
    assert b"/MediaBox [0 0 59" in paper


def test_a_clean_take_is_read_in_a_few_screens(
    reports: dict[str, Path], watch: Watch
) -> None:
    name = next(n for n in TAKES if "clean" in n)
    watch.page.set_viewport_size({"width": 1280, "height": 900})
    watch.open(reports[name])
    assert watch.page.evaluate("document.documentElement.scrollHeight") <= 3500


@pytest.mark.parametrize("scripts", [True, False])
def test_links_open_the_parts_they_lead_to(
    scripts: bool, reports: dict[str, Path], browser: Browser
) -> None:
    context = browser.new_context(java_script_enabled=scripts, reduced_motion="reduce")
    page = context.new_page()
    page.goto(reports[TAKES[1]].as_uri())
    for part in ("curves", "file", "figures", "method"):
        inside = page.locator(f"#{part}-all")
        assert inside.is_hidden()
        page.locator(f"nav a[href='#{part}-all']").click()
        inside.wait_for(state="visible", timeout=5000)
        assert page.locator(f"#{part}").is_visible()
    context.close()


def test_a_part_closed_by_hand_opens_again(
    reports: dict[str, Path], watch: Watch
) -> None:
    watch.open(reports[TAKES[1]])
    link = watch.page.locator("nav a[href='#method-all']")
    inside = watch.page.locator("#method-all")
    link.click()
    inside.wait_for(state="visible", timeout=5000)
    watch.page.locator("summary", has=watch.page.locator("#method")).click()
    inside.wait_for(state="hidden", timeout=5000)
    link.click()
    inside.wait_for(state="visible", timeout=5000)


@pytest.mark.parametrize("width", [390, 1280])
def test_more_curves_share_the_axis_of_the_others(
    width: int, reports: dict[str, Path], watch: Watch
) -> None:
    watch.page.set_viewport_size({"width": width, "height": 900})
    watch.open(reports[TAKES[1]])
    watch.page.locator(".more-lanes > summary").click()
    places = watch.page.evaluate(
        "[...document.querySelectorAll('.strip .lane .room')]"
        ".map(e => e.getBoundingClientRect()).map(r => [r.left, r.right].join())"
    )
    assert len(places) > 12
    assert len(set(places)) == 1
    assert watch.page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_the_sign_of_a_closed_part_stands_beside_its_title(
    width: int, reports: dict[str, Path], watch: Watch
) -> None:
    watch.page.set_viewport_size({"width": width, "height": 900})
    watch.open(reports[TAKES[1]])
    # The sign is the first thing in the summary: a title on a line of its own begins
    # at least a line (more than 16 pixels) below the padding, one beside it does not.
    below = watch.page.evaluate(
        "[...document.querySelectorAll('.fold > summary')].map(s =>"
        " s.querySelector('h2').getBoundingClientRect().top"
        " - s.getBoundingClientRect().top - parseFloat(getComputedStyle(s).paddingTop))"
    )
    assert len(below) > 3
    assert max(below) < 10
    assert watch.page.evaluate("document.documentElement.scrollWidth") <= width


def test_on_paper_stand_the_facts_and_what_was_opened(
    reports: dict[str, Path], watch: Watch
) -> None:
    watch.open(reports[TAKES[1]])
    page = watch.page
    page.locator("summary", has=page.locator("#figures")).click()
    page.emulate_media(media="print")
    for part, printed in {
        "#file-all": True,
        "#figures-all": True,
        "#method": False,
        "#curves": False,
        ".more-lanes > summary": False,
    }.items():
        assert page.locator(part).is_visible() is printed, part
