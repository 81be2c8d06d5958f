"""Pages as the command makes them, read as a browser would: their links, their text, and the tags in them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

from click.testing import CliRunner

from transfer.cli.main import main


def page(root: Path, *words: str | Path) -> dict[str, Any]:
    """Have the command make an archive's pages, in this process, and return what it says as JSON."""
    result = CliRunner().invoke(main, ["page", "--archive", str(root), "--json", *map(str, words)])
    told: dict[str, Any] = json.loads(result.stdout)
    assert told["exit"] == result.exit_code
    return told


class PageRead(HTMLParser):
    """One page: `links` and `sources` as they are written, its `text`, and every tag with its attributes."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.path = path
        self.links: list[str] = []
        self.sources: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep a tag."""
        known = dict(attrs)
        self.tags.append((tag, known))
        for name in ("src", "href"):
            value = known.get(name)
            if value is not None:
                (self.links if tag == "a" else self.sources).append(value)

    def handle_data(self, data: str) -> None:
        """Keep a text."""
        self.text += data

    def target_of(self, link: str) -> Path:
        """Return the file that a relative link leads to."""
        parts = urlsplit(link)
        assert not parts.scheme, link
        assert not parts.netloc, link
        return (self.path.parent / unquote(parts.path)).resolve() if parts.path else self.path


def pages_of(folder: Path) -> Iterator[PageRead]:
    """Yield every page of a page's folder."""
    for path in sorted(folder.rglob("*.html")):
        yield PageRead(path)
