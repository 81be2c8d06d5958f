"""Pages made from what they say by templates that escape whatever they are given."""

from __future__ import annotations

import hashlib
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from transfer.errors import ConfigurationError
from transfer.page import shown
from transfer.page.frames_shown import FrameShown
from transfer.page.thumbnails import FOLDER
from transfer.words import counted, hours_told, size_told

if TYPE_CHECKING:
    from jinja2 import Environment

_HERE = Path(__file__).parent
_STYLE, _SCRIPT, _ICON = "page.css", "page.js", "page.svg"


class Renderer:
    """Renders pages. Raises ConfigurationError where the template library is not installed."""

    def __init__(self) -> None:
        self._environment = _environment()
        self._environment.globals |= {
            "style": self._look_name(_STYLE),
            "script": self._look_name(_SCRIPT),
            "icon": self._look_name(_ICON),
            "pictures": FOLDER,
            "target_page": shown.target_page,
            "night_page": shown.night_page,
            "look_of": shown.look_of,
            "sort_values": sort_values,
            "counted": counted,
            "NO_TARGET": shown.NO_TARGET,
            "NO_FILTER": shown.NO_FILTER,
        }

    def page(self, template: str, **content: Any) -> bytes:
        """Return a page, UTF-8; a character that no UTF-8 has is replaced."""
        return self._environment.get_template(template).render(content).encode("utf-8", "replace")

    @cached_property
    def look(self) -> dict[str, bytes]:
        """The style, the script and the icon by their names on the page: each version has its own."""
        return {self._look_name(name): _read(name) for name in (_STYLE, _SCRIPT, _ICON)}

    def _look_name(self, name: str) -> str:
        stem, _, ending = name.partition(".")
        return f"look/{stem}-{hashlib.sha256(_read(name)).hexdigest()[:12]}.{ending}"


def _read(name: str) -> bytes:
    return (_HERE / "assets" / name).read_bytes()


def _environment() -> Environment:
    try:
        from jinja2 import Environment, FileSystemLoader, StrictUndefined
    except ImportError as error:
        step = "Install it with: pip install 'nightferry[page]'"
        raise ConfigurationError("Pages need nightferry's optional group page", next_step=step) from error
    environment = Environment(
        loader=FileSystemLoader(_HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_readable,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "hours": hours_told,
        "size": size_told,
        "clock": shown.clock,
        "number": shown.number,
        "url": shown.file_url,
    }
    return environment


def _readable(value: object) -> object:
    """Return what a page shows of a value: control characters and marks of direction as Python escapes.

    A mark of direction in a name would turn what stands beside it around.
    """
    if type(value) is not str or value.isprintable():  # markup of a template's own is another type
        return value
    return "".join(
        one if one.isprintable() else one.encode("unicode_escape").decode("ascii") for one in value
    )


def sort_values(one: FrameShown) -> dict[str, object]:
    """Return what a card is sorted and filtered by, under the names that the script knows."""
    measures = one.measures
    values = {
        "time": None if one.begun_us is None else one.begun_us // 1_000_000,
        "exposure": one.exposure_s,
        "altitude": one.altitude_deg,
        "stars": measures.stars,
        "size": measures.size_px,
        "background": measures.background_adu,
        "elongation": measures.elongation,
    }
    return {name: f"{value:.10g}" for name, value in values.items() if value is not None}
