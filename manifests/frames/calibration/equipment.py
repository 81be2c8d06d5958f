"""One name for a telescope and for a camera, whatever driver and version wrote it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

from manifests.frames.names.spelling import fold, tidy

# Three numbers with dots between them, or fewer behind a word for "version": what a driver adds to a name and
# changes with each update. "f/4.8" and "80.5" alone are no versions.
_NUMBERS = r"[0-9]+(?:\.[0-9]+)"
_VERSION = re.compile(
    r"[\s,;:-]*[(\[]?\s*(?<![\w./])"
    rf"(?:(?:version|ver|revision|rev|release|build|firmware|v)[\s.:]*{_NUMBERS}*"
    rf"|(?<=driver ){_NUMBERS}*|{_NUMBERS}{{2,}})"
    r"[a-z]?[0-9]*\s*[)\]]?(?![\w./])",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class EquipmentNames:
    """The user's own names for telescopes and cameras: the name of each spelling.

    Case and spaces make no difference, nor does the version in a telescope's name.
    """

    telescopes: Mapping[str, str] = field(default_factory=dict)
    cameras: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        plain = {fold(without_version(tidy(written))): name for written, name in self.telescopes.items()}
        object.__setattr__(self, "telescopes", plain)
        cameras = {fold(tidy(written)): name for written, name in self.cameras.items()}
        object.__setattr__(self, "cameras", cameras)

    def telescope(self, written: str | None) -> str | None:
        """Return the name of a telescope as a header writes it; `None` where it writes nothing."""
        name = without_version(tidy(written))
        return self.telescopes.get(fold(name), name) or None

    def camera(self, written: str | None) -> str | None:
        """Return the name of a camera as a header writes it; `None` where it writes nothing."""
        name = tidy(written)
        return self.cameras.get(fold(name), name) or None


@lru_cache(maxsize=1024)
def without_version(name: str) -> str:
    """Return a name without the version of its driver; one that is nothing else stays as it is."""
    return " ".join(_VERSION.sub(" ", name).split()) or name


NO_OWN_NAMES = EquipmentNames()
