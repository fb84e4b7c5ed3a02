"""The pages in a browser: Chromium, driven by playwright, with axe-core for accessibility.

Skipped, saying so, where one of them isn't installed (the extra `test` has the Python ones).
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import pytest

from flangeback.demo import Outing
from support.commands import run

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
PAGES = ("outing", "tally", "survey", "card")
Scheme = Literal["light", "dark"]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright isn't installed")
    if CHROMIUM is None:
        pytest.skip("there is no Chromium")
    with playwright.sync_playwright() as started:
        opened = started.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def pages(outing: Outing, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a page of each kind."""
    made = tmp_path_factory.mktemp("pages")
    frames, out = outing.frames, made / "out"
    run("fill", frames, "--into", out, "--report", made / "outing.html")
    run("tally", out, "--report", made / "tally.html")
    run("survey", frames, "--report", made / "survey.html")
    run("kit", "card", "--kit", frames / "kit.toml", "--html", made / "card.html")
    return made


@dataclass
class Opener:
    """Opens pages; what they ask for, and what they complain of, is noted."""

    browser: Browser
    folder: Path
    asked: list[str]

    def __call__(
        self,
        name: str,
        width: int = 1280,
        scheme: Scheme = "light",
        *,
        scripts: bool = True,
        policy: bool = True,
    ) -> Page:
        context = self.browser.new_context(
            viewport={"width": width, "height": 800},
            color_scheme=scheme,
            java_script_enabled=scripts,
            bypass_csp=not policy,
        )
        page = context.new_page()
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("console", lambda message: self.asked.append(message.text))
        page.on("pageerror", lambda error: self.asked.append(str(error)))
        page.goto((self.folder / f"{name}.html").as_uri())
        return page


@pytest.fixture
def show(browser: Browser, pages: Path) -> Iterator[Opener]:
    yield Opener(browser, pages, [])
    for context in browser.contexts:
        context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", PAGES)
def test_axe_finds_nothing(name: str, scheme: Scheme, show: Opener) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe-core")
    found = axe.Axe().run(show(name, scheme=scheme, policy=False))
    assert found.response["passes"]
    assert [rule["id"] for rule in found.response["violations"]] == []


@pytest.mark.parametrize("width", [360, 768, 1280])
@pytest.mark.parametrize("name", PAGES)
def test_no_page_scrolls_sideways(name: str, width: int, show: Opener) -> None:
    assert show(name, width).evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("name", PAGES)
def test_nothing_is_asked_for_but_the_page(name: str, show: Opener) -> None:
    show(name)
    assert [url for url in show.asked if not url.startswith("data:")] == [
        (show.folder / f"{name}.html").as_uri()
    ]


def test_the_policy_stops_what_would_be_loaded(show: Opener) -> None:
    page = show("outing")
    page.evaluate(
        "() => { for (const [tag, url] of [['img', 'http://127.0.0.1:9/a.png'], "
        "['script', 'http://127.0.0.1:9/a.js'], ['iframe', 'http://127.0.0.1:9/']]) {"
        "const made = document.createElement(tag); made.src = url; document.body.append(made) } }"
    )
    page.wait_for_timeout(100)
    told = [text for text in show.asked if "Content Security Policy" in text]
    assert len(told) == 3


def without_buttons(page: Page) -> str:
    page_text: Callable[[str], object] = page.evaluate
    return str(
        page_text(
            "() => { const all = document.body.cloneNode(true);"
            "const made = all.querySelectorAll('button, .basket, .filter, script');"
            "for (const one of made) one.remove();"
            "return all.textContent.replace(/\\s+/g, ' ') }"
        )
    )


def test_all_text_is_there_without_scripts(show: Opener) -> None:
    plain = show("outing", scripts=False).locator("body")
    text = " ".join((plain.text_content() or "").split())
    for word in without_buttons(show("outing")).split():
        assert word in text


def test_a_press_puts_an_entry_into_the_box(show: Opener) -> None:
    page = show("outing")
    basket = page.locator(".basket")
    assert not basket.is_visible()
    page.get_by_label("Copy K7_0201 k7 off").click()
    page.get_by_label("Copy K7_0216 k7 brask135 f/5.6 via m42-e").click()
    box = page.get_by_label("Chosen entries")
    assert box.input_value() == "K7_0201 k7 off\nK7_0216 k7 brask135 f/5.6 via m42-e"
    page.get_by_label("Copy K7_0216 k7 miran58 f/8 via m42-e").click()
    assert box.input_value() == "K7_0201 k7 off\nK7_0216 k7 miran58 f/8 via m42-e"
    page.get_by_label("Copy K7_0201 k7 off").click()
    page.get_by_label("Copy K7_0216 k7 miran58 f/8 via m42-e").click()
    assert not basket.is_visible()


def test_frames_can_be_filtered_by_outcome(show: Opener) -> None:
    page = show("outing")
    shown = page.locator("[data-outcome]:visible")
    assert shown.count() == 40
    page.get_by_role("button", name="native", exact=True).click()
    assert shown.count() == 4
    page.get_by_role("button", name="native", exact=True).click()
    assert shown.count() == 40


def test_the_keyboard_reaches_every_mark_and_button(show: Opener) -> None:
    page = show("outing")
    wanted = page.locator("a[href], button:visible, [tabindex='0']").count()
    reached = set()
    for _ in range(wanted + 2):
        page.keyboard.press("Tab")
        reached.add(
            page.evaluate(
                "() => [...document.querySelectorAll('*')].indexOf(document.activeElement)"
            )
        )
    assert len(reached) >= wanted


def test_in_print_a_frame_stays_with_its_notes(show: Opener) -> None:
    page = show("outing")
    page.emulate_media(media="print")
    rule = "(one) => getComputedStyle(one).breakInside"
    for selector in (".sheet li", ".case"):
        assert page.locator(selector).first.evaluate(rule) == "avoid"
    assert page.locator("nav, button").first.evaluate("(one) => one.offsetParent === null")
    assert page.pdf(format="A4", prefer_css_page_size=True).startswith(b"%PDF")
