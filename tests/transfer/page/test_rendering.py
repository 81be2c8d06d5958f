"""Whatever headers, logs, names and a configuration hold is shown as text, wherever a page shows it."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import unquote

import pytest
from click.testing import CliRunner

from manifests.bags.paths import PAGE_FOLDER
from manifests.findings import Finding, FindingKind
from tests.support.desks import NOON
from tests.support.pages_read import PageRead, pages_of
from tests.support.small_archive import NIGHT, SmallArchive
from transfer.archive.mark import MARK_NAME, mark_text, new_mark
from transfer.cli.main import main
from transfer.page.rendering import Renderer

FIELDS = ("site", "target", "filter", "finding", "event", "reading", "because", "camera")
"""Of whose values each is written on some page; names of files come beside them."""

TAGS = {
    *("html", "head", "meta", "title", "link", "script", "body", "a", "header", "nav", "button", "main"),
    *("footer", "h1", "h2", "h3", "p", "b", "small", "span", "section", "ul", "ol", "li", "table", "thead"),
    *("tbody", "tr", "th", "td", "caption", "details", "summary", "div", "label", "select", "option"),
    *("input", "dialog", "img", "pre", "strong", "code"),
    *("svg", "path", "text", "line", "rect"),
}


def markup(field: str) -> str:
    """Return markup that names the field it is in."""
    return f"{field} <script>alert(1)</script><img src=x onerror=alert(1)>\"'>&amp;</title>"


def turning(field: str) -> str:
    """Return marks of direction and control characters: what stands beside them must stay as it is."""
    return f"{field} \u202edesrever\u2066 \x1b[31m\x07\x85\u200f"


def archive_of(folder: Path, evil: Callable[[str], str]) -> Path:
    """Make an archive of a night with a frame, a log and a verdict, all names evil; return its page."""
    archive = SmallArchive(folder / "archive")
    (archive.root / MARK_NAME).write_text(mark_text(new_mark("archive", NOON)), encoding="utf-8")
    printable = "".join(filter(str.isprintable, evil("file"))).replace("/", "-")
    path = archive.light(f"{printable}.fits", INSTRUME=evil("camera").encode("ascii", "ignore").decode()[:60])
    bag = path.parents[3]
    finding = Finding(FindingKind.DATE_IN_DOUBT, evil("finding"))
    archive.entries[bag] = [
        replace(
            one,
            target=evil("target"),
            filter=evil("filter"),
            findings=(finding,),
            frame=replace(one.frame, camera=evil("camera")) if one.frame else None,
        )
        for one in archive.entries[bag]
    ]
    archive.write_lists(bag)
    config = configured(folder, evil)
    for words in (
        ["file", str(folder / "weather"), "--no-measures"],
        ["mark", str(NIGHT), "poor", "--because", evil("because")],
        ["page"],
    ):
        result = CliRunner().invoke(main, [*words, "--config", str(config)])
        assert result.exit_code == 0, result.output
    return archive.root / PAGE_FOLDER


def configured(folder: Path, evil: Callable[[str], str]) -> Path:
    """Write a log and the configuration that describes it, its names as evil as it takes."""

    def written(field: str) -> str:
        return json.dumps("".join(filter(str.isprintable, evil(field))), ensure_ascii=False)

    (folder / "weather").mkdir()
    log = f"when,temp\n{NIGHT}T22:05:00,4.5\n{NIGHT}T23:00:00,3.5 rain\n"
    path = folder / "weather" / "it's <b>100 %<b>.csv"
    path.write_text(log, encoding="utf-8")
    evening_s = datetime(NIGHT.year, NIGHT.month, NIGHT.day, 22, tzinfo=UTC).timestamp()
    os.utime(path, (evening_s, evening_s))
    config = folder / "nightferry.toml"
    text = f"""
[site]
name = {written("site")}
latitude = 51.2
longitude = -1.9
[archive]
folder = 'archive'
[records]
folder = 'records'
[[source]]
name = 'weather'
folder = 'weather'
kind = 'logs'
[[source.logs]]
files = '**/*.csv'
form = 'table'
time = 'when'
zone = 'UTC'
readings = {{ {written("reading")} = {{ at = 'temp' }} }}
events = {{ {written("event")} = 'rain' }}
"""
    config.write_text(text, encoding="utf-8")
    return config


@pytest.fixture(scope="module")
def marked_up(tmp_path_factory: pytest.TempPathFactory) -> list[PageRead]:
    return list(pages_of(archive_of(tmp_path_factory.mktemp("evil"), markup)))


def test_nothing_that_is_shown_becomes_a_tag_or_an_attribute(marked_up: list[PageRead]) -> None:
    for read in marked_up:
        for tag, attributes in read.tags:
            assert tag in TAGS, (read.path, tag)
            assert not any(name.startswith("on") for name in attributes), (read.path, attributes)
        scripts = [known["src"] for tag, known in read.tags if tag == "script"]
        assert len(scripts) == 1
        pictures = [known["src"] for tag, known in read.tags if tag == "img" and "src" in known]
        assert all(source is not None and "pictures/" in source for source in (*pictures,))


@pytest.mark.parametrize("field", FIELDS)
def test_it_is_there_to_be_read(field: str, marked_up: list[PageRead]) -> None:
    assert any(markup(field) in read.text for read in marked_up)


def test_titles_and_labels_of_drawings_hold_it_as_text(marked_up: list[PageRead]) -> None:
    (night,) = (read for read in marked_up if read.path.parent.name == "nights")
    content = night.path.read_text(encoding="utf-8")
    assert f"<title>{markup('target').partition('<')[0]}&lt;script&gt;" in content
    assert any(
        known.get("data-target") == markup("target") and known.get("data-filter") == markup("filter")
        for _, known in night.tags
    )


def test_links_to_files_with_such_names_lead_to_them(marked_up: list[PageRead]) -> None:
    names = set()
    for read in marked_up:
        for link in read.links:
            assert read.target_of(link).exists(), (read.path, link)
            names.add(unquote(link).rpartition("/")[2])
    assert "it's _b_100 __b_.csv" in names  # as it is stored
    assert f"{markup('file').replace('/', '-')}.fits" in {
        known.get("data-name") for known in of_cards(marked_up)
    }


def of_cards(pages: list[PageRead]) -> list[dict[str, str | None]]:
    """Return the attributes of the links that enlarge a frame."""
    return [known for read in pages for tag, known in read.tags if tag == "a" and "data-digest" in known]


def test_marks_of_direction_and_control_characters_are_shown_and_not_obeyed(tmp_path: Path) -> None:
    pages = list(pages_of(archive_of(tmp_path, turning)))
    for read in pages:
        content = read.path.read_text(encoding="utf-8")
        assert [one for one in content if not one.isprintable() and one != "\n"] == [], read.path
    assert any("target \\u202edesrever\\u2066 \\x1b[31m\\x07\\x85\\u200f" in read.text for read in pages)


def test_a_template_escapes_without_being_asked() -> None:
    page = Renderer()._environment.from_string("<i title='{{ it }}'>{{ it }}</i>").render(it="<b>'\"&")
    assert page == "<i title='&lt;b&gt;&#39;&#34;&amp;'>&lt;b&gt;&#39;&#34;&amp;</i>"
