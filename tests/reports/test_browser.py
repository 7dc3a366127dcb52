"""The page in a real browser: no error, no request, nothing that only some readers can read."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from pypdf import PdfReader

from legtest.history.page import history_html
from legtest.records.reading import Run, read_run
from legtest.reports.write import write_reports
from tests.history.make_snapshot import make_snapshot, make_value
from tests.history.test_trend import trends_of
from tests.reports.browser import Browser, browser
from tests.reports.rich_run import hostile_run

AXE = Path(__file__).parents[1] / "references" / "axe" / "axe.min.js"
SAID = "v.id + ': ' + v.nodes.map(n => n.target + ' ' + n.failureSummary).join(' | ').slice(0, 900)"
BAD = "r.violations.filter(v => ['serious', 'critical'].includes(v.impact))"
SERIOUS = f"axe.run(document).then(r => {BAD}.map(v => {SAID}))"


def test_no_error_and_no_request(page: Browser) -> None:
    page.run("document.querySelectorAll('input').forEach(i => i.dispatchEvent(new Event('input')))")
    page.run("document.querySelectorAll('[data-do]').forEach(b => b.click())")
    page.run("document.querySelectorAll('[data-do=play]').forEach(b => b.click())")  # and stop again
    page.until("[...document.querySelectorAll('figure.stage')].every(f => f.dataset.at !== undefined)")
    assert page.errors() == []
    urls = [e["params"]["request"]["url"] for e in page.events if e.get("method") == "Network.requestWillBeSent"]
    assert len(urls) == 1
    assert urls[0].endswith("/report.html")


@pytest.mark.parametrize("width", [1280, 390, 320])
def test_nothing_scrolls_sideways(page: Browser, width: int) -> None:
    page.width(width)
    page.run("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    wide = page.run("document.documentElement.scrollWidth")
    page.run("document.querySelectorAll('details').forEach(d => { d.open = false; })")
    page.width(1280)
    assert wide <= width


@pytest.mark.parametrize("width", [1280, 390, 320])
def test_the_history_page_too(chromium: None, tmp_path: Path, width: int) -> None:
    """Its figures and its table scroll by themselves, so that they can be read on a telephone."""
    runs = [make_snapshot(make_value(0.2 + 0.001 * day, test="test_x.py::" + "x" * 90), day=day) for day in range(8)]
    (tmp_path / "history.html").write_bytes(history_html(trends_of(runs)))
    with browser(tmp_path / "profile") as page:
        page.width(width)
        page.open(tmp_path / "history.html")
        assert page.run("document.documentElement.scrollWidth") <= width
        assert page.run("document.querySelector('svg').getBoundingClientRect().width") >= 600
        page.run(AXE.read_text(encoding="utf-8"))
        assert page.run(SERIOUS) == []


@pytest.mark.parametrize("width", [1280, 390])
def test_no_serious_finding_of_accessibility(page: Browser, width: int) -> None:
    page.width(width)
    page.run("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    page.run(AXE.read_text(encoding="utf-8"))
    found = page.run(SERIOUS)
    rules = page.run("axe.run(document).then(r => r.passes.length)")
    page.run("document.querySelectorAll('details').forEach(d => { d.open = false; })")
    page.width(1280)
    assert found == []
    assert rules > 20  # it did look


def test_the_accessibility_check_can_find_something(page: Browser) -> None:
    page.run(AXE.read_text(encoding="utf-8"))
    page.run("void document.querySelector('main').insertAdjacentHTML('beforeend', '<p id=bad><input><img></p>')")
    found = page.run(SERIOUS)
    page.run("document.querySelector('#bad').remove()")
    assert {text.partition(":")[0] for text in found} >= {"image-alt", "label"}


def test_lines_of_one_plot_differ_without_colour(page: Browser) -> None:
    looks = page.run(
        "[...document.querySelectorAll('.panel')].map(p => [...new Set([...p.querySelectorAll('svg.plot .line, "
        "svg.plot .guide')].map(l => l.getAttribute('class')))].map(c => getComputedStyle(p.querySelector("
        "`svg.plot [class='${c}']`)).strokeDasharray))"
    )
    assert max(map(len, looks)) >= 2
    for dashes in looks:
        low_and_high = [d for d in dashes if "9px" in d]  # the two ends of one range look alike
        rest = [d for d in dashes if "9px" not in d]
        assert len(set(rest)) == len(rest)
        assert len(low_and_high) <= 2


def test_prints_with_the_mode_on_every_page(page: Browser) -> None:
    import base64

    page.width(1280)
    answer = page.call("Page.printToPDF", preferCSSPageSize=True, printBackground=True)
    pages = PdfReader(io.BytesIO(base64.b64decode(answer["data"]))).pages
    texts = [each.extract_text() for each in pages]
    assert 4 <= len(texts) <= 12
    for n, text in enumerate(texts, 1):
        assert "LIVE" in text
        assert "20310304-050607-tarn-fl-01" in text
        assert f"page {n} of {len(texts)}" in text
    assert "knee backlash 0.620 deg, U 0.049 deg, limit 0.500 deg: fail" in " ".join(texts[0].split())
    width, height = (float(pages[0].mediabox.width), float(pages[0].mediabox.height))
    assert (width, height) == pytest.approx((595.3, 841.9), abs=1.5)  # A4


def test_readable_without_scripts(chromium: None, rich: Run, tmp_path: Path) -> None:
    with browser(tmp_path) as plain:
        plain.width(1280, 12_000)  # what is far outside the window is not laid out, and innerText leaves it out
        plain.call("Emulation.setScriptExecutionDisabled", value=True)
        plain.open(rich.folder / "report.html")
        text = plain.run("document.body.innerText")
        for wanted in ("knee backlash", "≠ different", "scatter of 8 reversals", "first beyond a limit", "M. Okafor"):
            assert wanted in text
        assert "move the slider" not in text
        assert "zoom in" not in text
        assert plain.run("document.querySelector('svg.plot .line').getAttribute('d').length") > 500


def test_hostile_names_stay_text(chromium: None, tmp_path: Path) -> None:
    run = read_run(hostile_run(tmp_path / "runs"))
    path = write_reports(run)["report.html"]
    with browser(tmp_path / "profile") as page:
        page.width(390, 60_000)
        page.open(path)
        text = page.run("document.body.innerText")
        assert "<script>document.title='taken'</script>\"'&]]>\\u202e" in text
        assert "x" * 10_000 in text
        assert "taken" not in page.run("document.title").split("<script>document.title=")[0]
        assert page.run("document.title").startswith("LIVE <script>")
        assert page.run("[...document.querySelectorAll('script')].map(s => s.type)").count("") == 1
        assert page.run("document.querySelectorAll('img, b, iframe').length") == 0
        assert page.run("document.documentElement.scrollWidth") <= 390
        assert "\u202e" not in page.run("document.documentElement.outerHTML")
        page.run("document.querySelectorAll('input').forEach(i => i.dispatchEvent(new Event('input')))")
        page.until("[...document.querySelectorAll('figure.stage')].every(f => f.dataset.at !== undefined)")
        assert page.errors() == []


def test_the_page_would_report_an_error(page: Browser) -> None:
    before = len(page.events)
    page.run("void document.body.insertAdjacentHTML('beforeend', '<img src=\"http://127.0.0.1:9/x\">')")
    page.run("1")
    reported = [e for e in page.events[before:] if e.get("method") in ("Log.entryAdded", "Network.requestWillBeSent")]
    assert any("Content Security Policy" in str(event) for event in reported)
