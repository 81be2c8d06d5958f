"""A folder as a person writes it: `~`, environment variables, both slashes, relative to the file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path, PurePath, PurePosixPath, PureWindowsPath
from typing import TypeVar

AnyPath = TypeVar("AnyPath", bound=PurePath)

# Windows has names such as ProgramFiles(x86). A doubled sign stands for itself.
_VARIABLE = re.compile(r"\$\$|%%|\$(\w+)|\$\{([\w()]+)\}|%([\w()]+)%", re.ASCII)
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")


class FolderError(ValueError):
    """A folder that cannot be meant as it is written; its text says what to write."""


def folder_as_written(written: str, base: AnyPath, environ: Mapping[str, str]) -> AnyPath:
    """Return the path that a person wrote, in the flavour of `base`, the folder of the file it is in.

    `~` at the start is the user's own folder; `$NAME`, `${NAME}` and `%NAME%` are variables on every
    system (`$$` and `%%` stand for the signs themselves); both slashes separate. Raises FolderError.
    """
    if _CONTROL.search(written):
        # "C:\new" is C:, a line end, and "ew" to TOML: a folder nobody has.
        raise FolderError(
            "a folder without control characters: in double quotes a backslash begins an escape,"
            " so write the folder in single quotes or with forward slashes"
        )
    if not written.strip():
        raise FolderError("a folder, and this is empty")
    if isinstance(base, PurePosixPath):
        written = written.replace("\\", "/")
    expanded = _VARIABLE.sub(lambda found: _value(found, environ), written)
    if written == "~" or written.startswith(("~/", "~\\")):
        expanded = _user_folder(base, environ) + expanded[1:]
    return base / with_whole_drive(type(base)(expanded))


def with_whole_drive(path: AnyPath) -> AnyPath:
    r"""Return a path that a person wrote, `D:` as the drive's root `D:\`; any other path as it is.

    Windows takes `D:` and `D:name` from the folder that a program happens to be in on that drive, which
    nobody means who writes one down. Raises FolderError for `D:name`.
    """
    if not isinstance(path, PureWindowsPath) or path.root or not path.drive:
        return path
    if len(path.parts) > 1:
        within = str(path).removeprefix(path.drive)
        raise FolderError(f"a folder with a slash behind its drive letter, such as {path.drive}/{within}")
    return path / "/"


def _value(found: re.Match[str], environ: Mapping[str, str]) -> str:
    if found[0] in ("$$", "%%"):
        return found[0][0]
    name = found[1] or found[2] or found[3]
    value = environ.get(name, "")
    if not value:
        raise FolderError(f"a folder whose variables are set, and {found[0]} is not set here")
    return value


def _user_folder(base: PurePath, environ: Mapping[str, str]) -> str:
    """Return the user's own folder: $HOME, on Windows %USERPROFILE%, else what the system knows."""
    variable = "HOME" if isinstance(base, PurePosixPath) else "USERPROFILE"
    try:
        return environ.get(variable) or str(Path.home())
    except RuntimeError as error:
        raise FolderError("a folder that can be found, and the user's own folder (~) is not known") from error
