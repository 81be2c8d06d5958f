"""The pages as a person uses them, in a real browser: by mouse, by keyboard, in the dark, on a telephone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.select import Select

from manifests.bags.paths import PAGE_FOLDER
from manifests.findings import Finding, FindingKind
from manifests.frames.measures.frame_measures import FrameMeasures
from manifests.index.measures import keep_measures
from manifests.index.opening import open_index
from manifests.index.schema import INDEX_NAME
from tests.support.browser import Browser, axe_source, chromium
from tests.support.small_archive import SmallArchive
from transfer.cli.main import main

HOSTILE = "<img src=x onerror=\"document.title='hacked'\"><script>document.title='hacked'</script>"
STARS = {"a.fits": 40, "b.fits": 310, "c.fits": 120}


def written(archive: SmallArchive) -> Path:
    """Write an archive's pages and return their folder."""
    result = CliRunner().invoke(main, ["page", "--archive", str(archive.root)])
    assert result.exit_code == 0, result.output
    return archive.root / PAGE_FOLDER


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return pages of three lights in Ha and two in OIII of one target, with measures, and of another."""
    archive = SmallArchive(tmp_path_factory.mktemp("pages") / "archive")
    archive.whole_set()
    for hour, name in enumerate(STARS):
        archive.light(name, **{"DATE-OBS": f"2026-03-14T2{hour}:00:00", "OBSERVER": "Wren <b>Dusk"})
    for name in ("o1.fits", "o2.fits"):
        archive.light(name, filter_name="OIII", night=date(2026, 3, 15), EXPTIME=600.0)
    archive.light("n.fits", target="NGC 7331")
    bag = archive.root / "M 33"
    archive.entries[bag] = [
        replace(one, findings=(Finding(FindingKind.DATE_IN_DOUBT, "by a day"),))
        if "c.fits" in one.path
        else one
        for one in archive.entries[bag]
    ]
    archive.write_lists(bag)
    assert CliRunner().invoke(main, ["index", "--archive", str(archive.root)]).exit_code == 0
    measured = {
        one.digests.sha256: FrameMeasures(1000.0, 12.0, stars, 2.0 + stars / 100, 1.05, 30.0, 0)
        for one in archive.entries[bag]
        if (stars := STARS.get(one.path.rpartition("/")[2]))
    }
    with open_index(archive.root / INDEX_NAME, write=True) as index:
        keep_measures(index, measured)
    return written(archive)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return pages of an archive whose headers hold markup, scripts and a name of a thousand characters."""
    archive = SmallArchive(tmp_path_factory.mktemp("hostile") / "archive")
    for number, name in enumerate((HOSTILE, "x" * 1000)):
        path = archive.light(
            f'{number} it\'s "50 %" <b>.fits', target=f"M {number + 1}", OBSERVER=HOSTILE[:60]
        )
        bag = path.parents[3]
        finding = Finding(FindingKind.DATE_IN_DOUBT, name)
        archive.entries[bag] = [
            replace(one, target=name, filter=name, findings=(finding,)) for one in archive.entries[bag]
        ]
        archive.write_lists(bag)
    return written(archive)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with chromium(tmp_path_factory.mktemp("profile")) as started:
        yield started


def target(pages: Path) -> Path:
    return next((pages / "targets").glob("m-33*"))


def shown(browser: Browser) -> list[str]:
    """Return the names of the frames that are to be seen, in their order."""
    return [str(one.get_attribute("data-name")) for one in browser.all(".frame > a")]


@pytest.mark.parametrize("which", ["pages", "hostile"])
def test_every_page_opens_from_the_disk_without_a_word_and_asks_for_nothing_outside(
    which: str, browser: Browser, request: pytest.FixtureRequest
) -> None:
    folder: Path = request.getfixturevalue(which)
    browser.asked_for(), browser.console()
    for page in folder.rglob("*.html"):
        browser.open(page)
        assert browser.console() == []
        for link in browser.all(".frame > a")[:1]:
            link.click()
            browser.until(lambda: browser.one("#large-header").text != "")
        asked = browser.asked_for()
        assert any(address.endswith(".css") for address in asked)
        assert {address for address in asked if not address.startswith(folder.as_uri() + "/")} == set()
        assert browser.console() == []


@pytest.mark.parametrize("by_keyboard", [False, True])
def test_frames_are_sorted_in_place(by_keyboard: bool, browser: Browser, pages: Path) -> None:
    browser.open(target(pages))
    assert shown(browser) == ["a.fits", "b.fits", "c.fits", "o1.fits", "o2.fits"]
    if by_keyboard:
        browser.focus_by_tab("#sort", Keys.TAB)
        browser.press("s", "t")  # a list goes to what is typed
    else:
        Select(browser.one("#sort")).select_by_visible_text("stars")
    assert shown(browser)[:3] == ["a.fits", "c.fits", "b.fits"]
    if by_keyboard:
        browser.focus_by_tab("#falling", Keys.TAB)
        browser.press(Keys.SPACE)
    else:
        browser.one("#falling").click()
    assert shown(browser) == ["b.fits", "c.fits", "a.fits", "o1.fits", "o2.fits"]
    Select(browser.one("#sort")).select_by_visible_text("night and filter")
    browser.one("#falling").click()
    assert shown(browser) == ["a.fits", "b.fits", "c.fits", "o1.fits", "o2.fits"]


def test_frames_are_chosen_in_place(browser: Browser, pages: Path) -> None:
    browser.open(target(pages))
    Select(browser.one("#filter")).select_by_visible_text("OIII")
    assert shown(browser) == ["o1.fits", "o2.fits"]
    assert browser.one("#shown").text == "2 of 5 frames shown."
    assert len(browser.all(".group")) == 1
    browser.one("#reset").click()
    Select(browser.one("#night")).select_by_visible_text("2026-03-14")
    assert shown(browser) == list(STARS)
    browser.one("#least-stars").send_keys("100")
    assert shown(browser) == ["b.fits", "c.fits"]
    browser.one("#most-size").send_keys("3.5")
    assert shown(browser) == ["c.fits"]
    browser.one("#reset").click()
    Select(browser.one("#exposure")).select_by_visible_text("600 s")
    assert shown(browser) == ["o1.fits", "o2.fits"]
    browser.one("#reset").click()
    assert len(shown(browser)) == 5


def test_frames_are_chosen_by_keyboard(browser: Browser, pages: Path) -> None:
    browser.open(target(pages))
    browser.focus_by_tab("#with-findings", Keys.TAB)
    browser.press(Keys.SPACE)
    assert shown(browser) == ["c.fits"]
    assert "date in doubt by a day" in browser.one(".findings").text
    browser.focus_by_tab("#reset", Keys.TAB)
    browser.press(Keys.ENTER)
    assert len(shown(browser)) == 5


@pytest.mark.parametrize("by_keyboard", [False, True])
def test_a_frame_opens_larger_with_its_header(by_keyboard: bool, browser: Browser, pages: Path) -> None:
    browser.open(target(pages))
    small = browser.one(".frame img").size["width"]
    if by_keyboard:
        browser.focus_by_tab(".frame > a", Keys.TAB)
        browser.press(Keys.ENTER)
    else:
        browser.one(".frame > a").click()
    browser.until(lambda: "OBSERVER= 'Wren <b>Dusk'" in browser.one("#large-header").text)
    assert browser.one("#large-title").text == "a.fits"
    assert browser.one("#large-picture").size["width"] > 2 * small
    assert "40 stars" in browser.one("#large-told").text
    assert str(browser.one("#large-file").get_attribute("href")).endswith("/M%2033/data/2026-03-14/Ha/a.fits")
    if by_keyboard:
        browser.press(Keys.ARROW_RIGHT)
    else:
        browser.one("#after").click()
    assert browser.one("#large-title").text == "b.fits"
    assert browser.one("#before").is_enabled()
    if by_keyboard:
        browser.press(Keys.ESCAPE)
    else:
        browser.one("#close").click()
    assert not browser.one("#large").is_displayed()
    assert browser.script("return document.activeElement.dataset.name") == "b.fits"


@pytest.mark.parametrize("by_keyboard", [False, True])
def test_the_night_view_is_red_on_black_and_stays(by_keyboard: bool, browser: Browser, pages: Path) -> None:
    browser.open(pages / "index.html")
    if by_keyboard:
        browser.focus_by_tab("#view", Keys.TAB)
        browser.press(Keys.SPACE)
    else:
        browser.one("#view").click()
    assert browser.one("#view").get_attribute("aria-pressed") == "true"
    for page in (pages / "index.html", target(pages), pages / "nights/2026-03-14.html"):
        browser.driver.get(page.as_uri())  # another page, as a link would open it
        for place in ("0", "document.body.scrollHeight"):
            browser.script(f"scrollTo(0, {place})")
            picture = browser.picture()
            assert picture[..., 0].max() > 200
            assert picture[..., 1:].max() == 0, page
    browser.one("#view").click()
    assert browser.picture()[..., 1].max() > 200


def test_no_white_flashes_up_between_pages_in_the_night_view(browser: Browser, pages: Path) -> None:
    browser.open(pages / "index.html")
    browser.one("#view").click()
    for link, name in (
        ("a[href^='targets/']", "targets"),
        ("nav a", "index"),
        ("a[href^='nights/']", "nights"),
    ):
        browser.script("document.querySelector(arguments[0]).click()", link)
        drawn = browser.drawn_until(
            lambda name=name: browser.script(
                "return location.pathname.includes(arguments[0]) && document.readyState === 'complete'", name
            )
        )
        assert max(picture[..., 1:].max() for picture in drawn) == 0, name


def test_links_carry_the_view_where_a_browser_keeps_nothing(browser: Browser, pages: Path) -> None:
    with browser.that_keeps_nothing():
        browser.driver.get((pages / "index.html").as_uri())
        browser.one("#view").click()
        for link in ("a[href^='targets/']", ".group h3 a", "nav a", "nav a"):
            browser.script("document.querySelector(arguments[0]).click()", link)
            browser.until(lambda: browser.script("return document.readyState") == "complete")
            assert browser.one("#view").get_attribute("aria-pressed") == "true", link
        browser.one("#view").click()
        browser.script("document.querySelector(\"a[href^='targets/']\").click()")
        browser.until(lambda: "targets" in browser.driver.current_url)
        assert browser.one("#view").get_attribute("aria-pressed") == "false"


def test_an_enlarged_frame_is_red_in_the_night_view(browser: Browser, pages: Path) -> None:
    browser.open(target(pages))
    browser.one("#view").click()
    browser.one(".frame > a").click()
    browser.until(lambda: browser.one("#large-header").text != "")
    assert browser.picture()[..., 1:].max() == 0


@pytest.mark.parametrize("night", [False, True])
@pytest.mark.parametrize("width", [1280, 360])
def test_nothing_serious_is_in_the_way_of_anybody(
    width: int, night: bool, browser: Browser, pages: Path, hostile: Path
) -> None:
    """axe-core: names, roles, order, contrast of text."""
    axe = axe_source()
    browser.size(width, 800)
    for page in (*pages.rglob("*.html"), *hostile.rglob("*.html")):
        browser.open(page)
        if night:
            browser.one("#view").click()
        assert browser.violations(axe) == [], page
        for link in browser.all(".frame > a")[:1]:
            link.click()
            browser.until(lambda: browser.one("#large-header").text != "")
            assert browser.violations(axe) == [], page
    browser.size(1280, 900)


def test_a_telephone_shows_each_page_without_scrolling_aside(
    browser: Browser, pages: Path, hostile: Path
) -> None:
    browser.size(360, 740)
    for page in (*pages.rglob("*.html"), *hostile.rglob("*.html")):
        browser.open(page)
        assert browser.script("return document.documentElement.scrollWidth") <= 360, page
    browser.size(1280, 900)


def test_hostile_headers_do_nothing(browser: Browser, hostile: Path) -> None:
    seen = ""
    for page in hostile.rglob("*.html"):
        browser.open(page)
        for link in browser.all(".frame > a")[:1]:
            link.click()
            browser.until(lambda: browser.one("#large-header").text != "")
            file = browser.one("#large-file").get_attribute("href")
            assert file is not None
            seen += browser.one("#large-header").text
        seen += browser.one("body").text
        assert browser.driver.title != "hacked"
        assert browser.script("return document.querySelectorAll('script').length") <= 2
        assert browser.script("return [...document.images].every((one) => !one.src.endsWith('/x'))")
    assert HOSTILE in seen
    assert HOSTILE[:60] in seen


def test_a_printed_page_is_without_controls(browser: Browser, pages: Path) -> None:
    browser.open(target(pages))
    browser.one("#view").click()
    browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        assert not browser.one(".controls").is_displayed()
        assert not browser.one("#view").is_displayed()
        assert browser.script("return getComputedStyle(document.documentElement).backgroundColor") == (
            "rgb(255, 255, 255)"
        )
        picture = browser.script("return getComputedStyle(document.querySelector('.film img')).mixBlendMode")
        assert picture == "normal"  # not the red of the night view that is on the screen
    finally:
        browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
