"""The page of a day in a browser: filter, sort, keys, print, and how quick it is."""

from __future__ import annotations

import functools
import importlib.util
import re
import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any, TypeVar

import pytest

from qc.daybook import DayFinding, DayResult
from qc.measures import default_limits
from qc.records import Grade
from qc.report.day_page import day_page
from tests.report.fake_day import fake_day

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

T = TypeVar("T")
CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))),
    None,
)
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
ROWS = "table.takes tbody tr"
SHOWN = f"{ROWS}:not([hidden])"
MANY = 500
HOSTILE = "<script>alert(1)</script> \"x\" 'y' #1? 100 %"

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(
        importlib.util.find_spec("playwright") is None,
        reason="playwright is not installed (extra dev)",
    ),
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on the path"),
]

# Playwright can be started once a thread, and other modules keep theirs open.
THREAD = ThreadPoolExecutor(1, thread_name_prefix="day-browser")


def in_thread(test: Callable[..., T]) -> Callable[..., T]:
    """Run a test or a step in the thread that holds the browser."""

    @functools.wraps(test)
    def run(*args: Any, **told: Any) -> T:
        return THREAD.submit(test, *args, **told).result()

    return run


class Watch:
    """A page, and what it asked for and complained about."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.requests: list[str] = []
        self.complaints: list[str] = []
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def open(self, path: Path) -> Page:
        self.page.goto(path.as_uri())
        outside = [u for u in self.requests if not u.startswith("data:")]
        assert outside == [path.as_uri()]
        assert self.complaints == []
        return self.page

    def names(self, selector: str = SHOWN) -> list[str]:
        found: list[str] = self.page.locator(f"{selector} .name").all_inner_texts()
        return found


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    from playwright.sync_api import sync_playwright

    def start() -> tuple[Any, Browser]:
        playwright = sync_playwright().start()
        return playwright, playwright.chromium.launch(
            executable_path=CHROMIUM, args=ARGUMENTS
        )

    playwright, chromium = THREAD.submit(start).result()
    yield chromium
    THREAD.submit(chromium.close).result()
    THREAD.submit(playwright.stop).result()


@pytest.fixture
def watch(browser: Browser) -> Iterator[Watch]:
    def start() -> Watch:
        page = browser.new_page(
            viewport={"width": 1280, "height": 900}, reduced_motion="reduce"
        )
        return Watch(page)

    one = THREAD.submit(start).result()
    yield one
    THREAD.submit(one.page.close).result()


@pytest.fixture(scope="module")
def day() -> DayResult:
    """Fourteen takes; the folder of the first has a name that is hard on links."""
    result = fake_day(14)
    first, *rest = result.takes
    return replace(result, takes=(replace(first, folder=HOSTILE), *rest))


@pytest.fixture(scope="module")
def pages(day: DayResult, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A day with all its parts, one with few, and a long one."""
    folder = tmp_path_factory.mktemp("days")
    limits = default_limits()
    bare = fake_day(14, complete=False, posters=False)
    texts = {
        "day": day_page(day, limits),
        "bare": day_page(bare, limits, stills=False, times={}, cameras={}),
        "many": day_page(fake_day(MANY), limits),
    }
    out = {}
    for name, text in texts.items():
        out[name] = folder / f"{name}.html"
        out[name].write_text(text, encoding="utf-8")
    # Without the slash, which no folder can have in its name.
    (folder / HOSTILE.replace("/", "∕")).mkdir()
    return out


# ------------------------------------------------------------------ it opens


@pytest.mark.parametrize("name", ["day", "bare", "many"])
@in_thread
def test_it_opens_without_network_or_errors(
    name: str, pages: dict[str, Path], watch: Watch
) -> None:
    page = watch.open(pages[name])
    assert page.locator("#takes").is_visible()
    number = MANY if name == "many" else 14
    said = page.locator(".filter output").inner_text()
    assert said == f"{number} of {number} takes shown"
    broken = page.evaluate(
        "[...document.images].filter(i => i.complete && !i.naturalWidth).length"
    )
    assert broken == 0


@pytest.mark.parametrize("width", [420, 704, 1232, 1233, 1920])
@pytest.mark.parametrize("name", ["day", "bare"])
@in_thread
def test_nothing_hangs_over_the_edge(
    name: str, width: int, pages: dict[str, Path], watch: Watch
) -> None:
    watch.page.set_viewport_size({"width": width, "height": 900})
    page = watch.open(pages[name])
    over = page.evaluate(
        "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )
    assert over == 0
    # No cell of a row is wider than its place.
    spilt = page.evaluate(
        f"[...document.querySelectorAll('{ROWS} > *')]"
        ".filter(c => c.scrollWidth > c.clientWidth + 1).length"
    )
    assert spilt == 0


@pytest.mark.parametrize("width", [1233, 1366, 1920])
@in_thread
def test_verdicts_and_faults_keep_out_of_each_other(
    width: int, tmp_path: Path, watch: Watch
) -> None:
    day = fake_day(8)
    first, second, *rest = day.takes
    document = dict(first.document)
    document["day"] = {**document["day"], "too_short": True}
    takes = (replace(first, document=document), second, *rest)
    assert takes[0].too_short
    odd = DayFinding("day.odd_format", Grade.REVIEW, (second.name,), "Odd.", "Same.")
    path = tmp_path / "day.html"
    shown = replace(day, takes=takes, findings=(odd,))
    path.write_text(day_page(shown, default_limits()), encoding="utf-8")
    watch.page.set_viewport_size({"width": width, "height": 900})
    page = watch.open(path)
    boxes = page.evaluate(
        f"[...document.querySelectorAll('{ROWS}')].map(row => ["
        "row.querySelector('.grade').getBoundingClientRect().right,"
        "row.querySelector('.faults').getBoundingClientRect().left])"
    )
    assert len(boxes) == len(takes)
    assert [(right, left) for right, left in boxes if right > left] == []
    # The name of a fault stands on one line with its sign.
    lines = page.evaluate(
        "[...document.querySelectorAll('.takes .faults li > span')].map(span => {"
        "const range = document.createRange(); range.selectNode(span.nextSibling);"
        "const name = [...range.getClientRects()].filter(box => box.width);"
        "const sign = span.getBoundingClientRect();"
        "return [sign.bottom - name[0].top, name[0].bottom - sign.top]; })"
    )
    assert lines
    assert all(above > 0 and below > 0 for above, below in lines)


@in_thread
def test_all_is_there_without_scripts(
    day: DayResult, pages: dict[str, Path], browser: Browser
) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(pages["day"].as_uri())
    assert page.locator(SHOWN).count() == len(day.takes)
    assert [t.strip() for t in page.locator(f"{ROWS} .no").all_inner_texts()] == [
        str(n) for n in range(1, 15)
    ]
    assert page.locator("button:visible").count() == 0
    assert page.locator(".filter").is_hidden()
    page.locator("a.count").first.click()
    assert page.url.endswith("#takes")
    context.close()


# ------------------------------------------------------------------ filter and sort


@in_thread
def test_the_counts_of_the_verdict_filter(
    day: DayResult, pages: dict[str, Path], watch: Watch
) -> None:
    page = watch.open(pages["day"])
    counts = page.locator("button.count")
    assert counts.count() == 4
    for i in range(4):
        number = int(counts.nth(i).locator("b").inner_text())
        grade = counts.nth(i).get_attribute("data-grade")
        counts.nth(i).click()
        assert page.locator(SHOWN).count() == number
        assert {t.name for t in day.takes if t.grade == grade} == set(watch.names())
        said = page.locator(".filter output").inner_text()
        assert said == f"{number} of 14 takes shown"
        # The same filter stands pressed over the table.
        twin = page.locator(f".grades button[data-grade={grade}]")
        assert twin.get_attribute("aria-pressed") == "true"
        twin.click()
        assert counts.nth(i).get_attribute("aria-pressed") == "false"
        assert page.locator(SHOWN).count() == 14


@in_thread
def test_text_and_fault_filter_together(
    day: DayResult, pages: dict[str, Path], watch: Watch
) -> None:
    page = watch.open(pages["day"])
    page.locator(".filter input").fill("SIDE .mov")
    side = {t.name for t in day.takes if t.name.startswith("side/")}
    assert set(watch.names()) == side
    page.locator(".filter select").select_option("focus.soft")
    soft = {
        t.name
        for t in day.takes
        if any(f["rule"] == "focus.soft" for f in t.document.get("findings", []))
    }
    assert set(watch.names()) == side & soft != set()
    page.locator(".filter input").fill("nothing of that name")
    assert page.locator(SHOWN).count() == 0
    assert page.locator(".nothing").is_visible()
    page.locator(".nothing button").click()
    assert page.locator(SHOWN).count() == 14
    assert page.locator(".filter input").input_value() == ""
    # What only the day shows can be filtered by, too.
    page.locator(".filter select").select_option("day.gap")
    gap = next(f for f in day.findings if f.rule == "day.gap")
    assert set(watch.names()) == set(gap.takes)


@in_thread
def test_columns_sort_both_ways_by_buttons(
    day: DayResult, pages: dict[str, Path], watch: Watch
) -> None:
    page = watch.open(pages["day"])

    def pressed(column: str) -> str | None:
        heading = page.locator(f"th[data-sort={column}]")
        heading.get_by_role("button").click()
        return heading.get_attribute("aria-sort")

    def stays(name: str) -> float:
        document = next(t.document for t in day.takes if t.name == name)
        return float(sum(u["duration_s"] for u in document.get("usable", [])))

    assert (
        page.locator("th[aria-sort=ascending]").get_attribute("data-sort") == "number"
    )
    assert pressed("name") == "ascending"
    assert watch.names() == sorted(t.name for t in day.takes)
    assert pressed("name") == "descending"
    assert watch.names() == sorted((t.name for t in day.takes), reverse=True)
    unreadable = [t.name for t in day.takes if not t.readable]
    for way in (1, -1):
        pressed("usable")
        *known, last = watch.names()
        assert [last] == unreadable  # not measured: last either way
        assert known == sorted(known, key=lambda n: way * stays(n))
    assert (
        page.locator("th[aria-sort=ascending], th[aria-sort=descending]").count() == 1
    )
    pressed("number")
    numbers = [int(n) for n in page.locator(f"{ROWS} .no").all_inner_texts()]
    assert numbers == list(range(1, 15))


# ----------------------------------------------------------------------- keys


@in_thread
def test_keys_go_from_take_to_take(pages: dict[str, Path], watch: Watch) -> None:
    page = watch.open(pages["day"])

    def here() -> str:
        return str(page.evaluate("document.activeElement.id"))

    page.keyboard.press("n")
    assert here() == "t1"
    page.keyboard.press("n")
    assert here() == "t2"
    page.keyboard.press("p")
    assert here() == "t1"
    for held in ("Control", "Alt", "Meta"):
        page.keyboard.press(f"{held}+j")
        assert here() == "t1"
    page.keyboard.press("/")
    field = page.locator(".filter input")
    assert field.evaluate("e => e === document.activeElement")
    page.keyboard.type("j/k?")
    assert field.input_value() == "j/k?"
    assert page.locator(SHOWN).count() == 0
    page.keyboard.press("Escape")
    assert page.locator(SHOWN).count() == 14
    page.locator(".grades button[data-grade=review]").click()
    shown = page.locator(SHOWN)
    ids = [shown.nth(i).get_attribute("id") for i in range(shown.count())]
    page.locator(".grades button[data-grade=review]").blur()
    page.evaluate("location.hash = ''")
    for expected in (*ids, ids[-1]):
        page.keyboard.press("n")
        assert here() == expected
    page.keyboard.press("?")
    assert page.locator("dialog").is_visible()
    page.keyboard.press("n")
    page.keyboard.press("?")
    assert page.locator("dialog").is_hidden()
    assert watch.complaints == []


@in_thread
def test_enter_opens_the_takes_own_report(
    day: DayResult, pages: dict[str, Path], watch: Watch
) -> None:
    folder = pages["day"].parent
    take = day.takes[1]
    assert take.folder is not None
    (folder / take.folder).mkdir(exist_ok=True)
    (folder / take.folder / "report.html").write_text("<h1>its report</h1>")
    page = watch.open(pages["day"])
    page.locator(".filter input").fill(take.name)
    page.locator(".filter input").blur()
    page.keyboard.press("n")
    page.keyboard.press("Enter")
    page.wait_for_selector("h1:text('its report')")


@in_thread
def test_a_link_to_an_odd_folder_is_taken_whole(
    day: DayResult, pages: dict[str, Path], watch: Watch
) -> None:
    page = watch.open(pages["day"])
    link = page.locator(".name a", has_text=day.takes[0].name)
    # The browser's own reading of the address: one folder beside the page, one file.
    parts = link.evaluate("a => [a.protocol, a.host, a.search, a.hash, a.pathname]")
    assert parts[:4] == ["file:", "", "", ""]
    inside = parts[4].removeprefix(pages["day"].parent.as_uri().removeprefix("file://"))
    assert page.evaluate("decodeURIComponent", inside) == f"/{HOSTILE}/report.html"
    assert inside.count("/") == 2


@in_thread
def test_bars_and_day_findings_lead_to_rows(
    pages: dict[str, Path], watch: Watch
) -> None:
    page = watch.open(pages["day"])
    bar = page.locator(".camera a.bar").nth(3)
    target = bar.get_attribute("href")
    bar.click()
    assert page.evaluate("document.querySelector(':target').matches('tr')")
    assert page.evaluate("'#' + document.querySelector(':target').id") == target
    page.locator(".across .names a").first.click()
    assert page.evaluate("document.querySelector(':target').matches('tr')")


# --------------------------------------------------------------------- for everybody


@in_thread
def test_screen_readers_find_a_table_with_names(
    pages: dict[str, Path], watch: Watch
) -> None:
    page = watch.open(pages["many"])
    table = page.locator("table.takes")
    head = page.get_by_role("columnheader")
    assert head.filter(has_text="Worst faults").count() == 1
    assert page.get_by_role("rowheader").count() >= MANY
    assert page.get_by_role("button", name=re.compile(r"^\d+ to review$")).count() == 1
    assert page.get_by_role("searchbox", name="Text").count() == 1
    assert page.get_by_role("combobox", name="Fault").count() == 1
    assert table.get_by_role("row").nth(3).get_by_role("cell").count() == 10


@pytest.mark.parametrize("scheme", ["light", "dark"])
@in_thread
def test_small_type_can_be_read(
    scheme: Any, pages: dict[str, Path], watch: Watch
) -> None:
    watch.page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    page = watch.open(pages["day"])
    # WCAG 2.2, 1.4.3: 4.5 to 1, by its own formula for relative luminance.
    worst = page.evaluate(
        """() => {
          const light = (c) => {
            const whole = c.startsWith("rgb") ? 255 : 1;
            const [r, g, b] = c.match(/[\\d.]+/g).slice(0, 3).map((v) => {
              const s = v / whole;
              return s <= 0.04045 ? s / 12.92 : ((s + 0.055) / 1.055) ** 2.4;
            });
            return 0.2126 * r + 0.7152 * g + 0.0722 * b;
          };
          const under = (e) => {
            for (; e; e = e.parentElement) {
              const c = getComputedStyle(e).backgroundColor;
              if (!/, 0\\)$|transparent/.test(c)) return c;
            }
            return "rgb(255, 255, 255)";
          };
          let worst = 99;
          const kinds = ["small", ".tc", "p", "b", ".grade", "button", "li", "dt"];
          for (const e of document.querySelectorAll(`main :is(${kinds})`)) {
            if (!e.getClientRects().length) continue;
            const [a, b] = [light(getComputedStyle(e).color), light(under(e))];
            worst = Math.min(worst, (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05));
          }
          return worst;
        }"""
    )
    assert worst >= 4.5


@in_thread
def test_it_prints_on_a4_as_a_real_table(pages: dict[str, Path], watch: Watch) -> None:
    page = watch.open(pages["many"])
    data = page.pdf(prefer_css_page_size=True)
    boxes = set(re.findall(rb"/MediaBox \[([\d. ]+)\]", data))
    (box,) = boxes
    # A4 is 297 by 210 mm, 72 points to the inch of 25.4 mm.
    size = [float(n) for n in box.split()][2:]
    assert size == pytest.approx([297 / 25.4 * 72, 210 / 25.4 * 72], abs=1.0)
    page.emulate_media(media="print")
    style = "e => [getComputedStyle(e).display, getComputedStyle(e).contentVisibility]"
    assert page.locator("table.takes thead").evaluate(style)[0] == "table-header-group"
    # Chromium repeats no head that holds boxes of buttons.
    heads = page.locator("table.takes thead button")
    assert {h.evaluate(style)[0] for h in heads.all()} == {"contents"}
    assert page.locator(ROWS).nth(400).evaluate(style) == ["table-row", "visible"]
    assert page.locator(".filter").is_hidden()
    assert len(re.findall(rb"/Type /Page\b", data)) > MANY / 14


# --------------------------------------------------------------------------- speed


_TIMED = """async () => {
  const rest = () =>
    new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
  const field = document.querySelector(".filter input");
  const type = (text) => {
    field.value = text;
    field.dispatchEvent(new Event("input", { bubbles: true }));
  };
  const words = ["h", "hip", "hip side", "hi", "", "spay", ""];
  const heads = [...document.querySelectorAll("table.takes thead button")];
  const jobs = {
    filter: (i) => type(words[i % words.length]),
    sort: (i) => heads[1 + (i % (heads.length - 1))].click(),
  };
  document.querySelector("#takes").scrollIntoView();
  await rest();
  const took = { filter: [], sort: [] };
  for (const [name, job] of Object.entries(jobs)) {
    // All words and columns; then on for as long as only what else runs may be slow.
    for (let i = 0; i < 14 || (i < 80 && Math.min(...took[name]) >= 80); i += 1) {
      await rest();
      const began = performance.now();
      job(i);
      void document.body.offsetHeight;  // what is laid out counts, too
      took[name].push(performance.now() - began);
    }
  }
  return took;
}"""


@in_thread
def test_five_hundred_takes_filter_and_sort_at_once(
    pages: dict[str, Path], watch: Watch
) -> None:
    page = watch.open(pages["many"])
    took = page.evaluate(_TIMED)
    for name, times in took.items():
        print(f"{name}: {min(times):.1f} ms at best, median {median(times):.1f} ms")
        # A step is felt as immediate up to about 100 ms (Nielsen 1993, from memory).
        # Sorting takes 40 ms on a machine at rest; whatever else runs can only add,
        # hence the best of many.
        assert min(times) < 100, name
