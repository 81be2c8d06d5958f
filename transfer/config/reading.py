"""Finding a nightferry.toml and reading it: every way a file can be broken becomes one clear error."""

from __future__ import annotations

import codecs
import re
import stat
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from manifests.bags.paths import shown
from transfer.config.schema import config_from_tables
from transfer.config.settings import Config
from transfer.config.values import degrees_understood
from transfer.errors import ConfigurationError

CONFIG_NAME = "nightferry.toml"
CONFIG_VARIABLE = "NIGHTFERRY_CONFIG"
_AT_MOST_BYTES = 1 << 20
# The library's time grows with the square of a dotted key's parts: one of 20,000 would take minutes.
_DOTS_AT_MOST = 100
_SHOWN_AT_MOST = 100
_TOO_DEEP = "Its tables lie too deep in one another"
_ONE_DEEP = "No section lies in another: see the example in the README."
_UTF_16_MARKS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_STORE_AS_UTF_8 = "Store it as UTF-8: in the editor choose Save as, and UTF-8 as the encoding."


def find_config(named: str | None, environ: Mapping[str, str], here: Path, user_folder: Path) -> Path:
    """Return the configuration to use: the named one, else $NIGHTFERRY_CONFIG's, `here`'s, the user's.

    Raises ConfigurationError where there is none, or the one that was asked for is not there.
    """
    if named:
        return _asked_for(here / named, "Look at the path given with --config.")
    # Windows' command line keeps quotes that are written around a variable's value.
    if in_variable := environ.get(CONFIG_VARIABLE, "").strip('"'):
        return _asked_for(here / in_variable, f"Look at the variable {CONFIG_VARIABLE}.")
    places = [here / CONFIG_NAME, user_folder / CONFIG_NAME]
    for file in places:
        if _is_there(file):
            return file
    looked = " and ".join(str(file) for file in places)
    step = "Run `nightferry setup` to write one, or name one with --config FILE."
    raise ConfigurationError(f"There is no {CONFIG_NAME}: looked for {looked}", next_step=step)


def _asked_for(file: Path, next_step: str) -> Path:
    if not _is_there(file):
        raise ConfigurationError("There is no such file", file, next_step)
    return file


def _is_there(file: Path) -> bool:
    try:
        file.stat()
    except PermissionError:
        return True  # reading it will say why it can't be read
    except (OSError, ValueError):
        return False
    return True


def load_config(file: Path, environ: Mapping[str, str]) -> Config:
    """Read a nightferry.toml. Raises ConfigurationError, whatever the file holds."""
    absolute = file.absolute()
    return config_from_tables(_tables(absolute), absolute, environ)


def _tables(file: Path) -> dict[str, Any]:
    text = _text(file)
    if any(map(_has_a_deep_key, text.split("\n"))):
        raise ConfigurationError(_TOO_DEEP, file, _ONE_DEEP)
    try:
        return tomllib.loads(text)
    except ValueError as error:
        raise _syntax_error(file, text, str(error)) from error
    except RecursionError as error:
        raise ConfigurationError(_TOO_DEEP, file, _ONE_DEEP) from error


def _has_a_deep_key(line: str) -> bool:
    return any(part.count(".") > _DOTS_AT_MOST for part in line.partition("#")[0].split("="))


def _text(file: Path) -> str:
    content = _content(file)
    if _is_utf_16(content):
        raise ConfigurationError("It is stored as UTF-16", file, _STORE_AS_UTF_8)
    try:
        # Some editors begin a UTF-8 file with a mark that TOML does not know.
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise ConfigurationError(f"Line {line} is not UTF-8", file, _STORE_AS_UTF_8) from error


def _is_utf_16(content: bytes) -> bool:
    """Return whether it begins with UTF-16's mark, or about every second of its first bytes is zero."""
    start = content[:64]
    return content.startswith(_UTF_16_MARKS) or 0.3 < start.count(0) / max(len(start), 1) < 0.6


def _content(file: Path) -> bytes:
    """Read the file's bytes, of which there can't be many; a device or a pipe is never opened."""
    try:
        facts = file.stat()
        if not stat.S_ISREG(facts.st_mode):
            raise ConfigurationError("This is not a file", file, "Name a nightferry.toml.")
        if facts.st_size > _AT_MOST_BYTES:
            raise ConfigurationError("It is far too large", file, "Name a nightferry.toml.")
        return file.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        step = "See that the file is there and may be read."
        raise ConfigurationError(f"It cannot be read ({reason})", file, step) from error


def _syntax_error(file: Path, text: str, reason: str) -> ConfigurationError:
    """Show the line that TOML stumbled over, and what was probably meant."""
    found = re.search(r"at line (\d+)", reason)
    if found is None:
        return ConfigurationError(f"It is not TOML: {reason}", file)
    line = text.split("\n")[int(found[1]) - 1].strip()
    return ConfigurationError(
        f"It is not TOML: {reason}: {shown(line, _SHOWN_AT_MOST)}", file, _what_was_meant(line)
    )


def _what_was_meant(line: str) -> str:
    key, _, value = (part.strip() for part in line.partition("="))
    if key in ("latitude", "longitude"):
        degrees = degrees_understood(value.partition("#")[0])
        sides = "north positive, south" if key == "latitude" else "east positive, west"
        example = -1.9 if degrees is None else degrees
        return f"Write degrees as a number, {sides} negative: {key} = {example:g}"
    if re.search("[“”„‘’]", value):
        return "Use straight quotes."
    if "\\" in value:
        quoted = re.fullmatch(r"""["']?([^"']+)["']?""", value)
        such_as = f": {key} = '{quoted[1]}'" if quoted else ""
        return f"In double quotes \\ begins an escape. Write a path in single quotes{such_as}"
    if value and value[0].isalpha():
        return "Write text in quotes."
    return ""
