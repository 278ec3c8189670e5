"""A real Chromium that never reaches a network, and pages opened in it; skipped with a word where there is none."""

import shutil
import time
from dataclasses import dataclass, field

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
    "--disable-sync", "--no-first-run", "--disable-dev-shm-usage",
]  # fmt: skip


@pytest.fixture(scope="session")
def browser():
    """Chromium, driven by playwright."""
    playwright = pytest.importorskip("playwright.sync_api", reason="no playwright: pip install loopdesign[test]")
    if CHROMIUM is None:
        pytest.skip("no Chromium: apt-get install chromium")
    with playwright.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield started
        started.close()


@dataclass
class Opened:
    """A page in the browser, and whatever it asked for or complained of."""

    page: object
    requests: list = field(default_factory=list)
    complaints: list = field(default_factory=list)

    def evaluate(self, parts):
        """Answer of the page's own evaluate."""
        return self.page.evaluate("parts => window.loopdesign.evaluate(parts)", parts)

    def settled(self):
        """Wait until what was asked for is drawn."""
        self.page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")

    def until(self, condition, seconds=10.0):
        """Wait until an expression is true in the page, whose policy forbids playwright's own waiting."""
        end = time.monotonic() + seconds
        while not self.page.evaluate(condition):
            assert time.monotonic() < end, f"never true: {condition}"
            self.page.wait_for_timeout(30)

    def text(self, selector):
        return self.page.locator(selector).inner_text()


@pytest.fixture
def opened(browser, tmp_path):
    """Open HTML, or an address, in a context of its own; no page may ask for anything or complain."""
    contexts, pages = [], []

    def show(html=None, *, url=None, expect_clean=True, **options):
        context = browser.new_context(offline=True, **options)
        contexts.append(context)
        if url is None:
            place = tmp_path / f"page{len(contexts)}.html"
            place.write_text(html, encoding="utf-8")
            url = place.as_uri()
        opened = Opened(page=context.new_page())
        opened.page.on("request", lambda request: opened.requests.append(request.url))
        opened.page.on("console", lambda message: opened.complaints.append(f"{message.type}: {message.text}"))
        opened.page.on("pageerror", lambda error: opened.complaints.append(str(error)))
        opened.page.goto(url)
        pages.append((opened, url, expect_clean))
        return opened

    yield show
    for opened, url, expect_clean in pages:
        if expect_clean:
            asked = [r for r in opened.requests if r.partition("#")[0] != url.partition("#")[0]]
            assert asked == []
            assert opened.complaints == []
    for context in contexts:
        context.close()
