"""Ways in which a nightferry.toml can be wrong, key by key; and files that are no configuration at all."""

from __future__ import annotations

import os
import random
import re
import socket
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.faults.scene import PROJECT

NAME = "nightferry.toml"
_RANDOM_FILES = 90

# Of which kind each key is; the README has them all.
_KINDS = {
    "site.name": "text",
    "site.latitude": "latitude",
    "site.longitude": "longitude",
    "source.name": "text",
    "source.folder": "folder",
    "source.take": "patterns",
    "source.leave": "patterns",
    "source.kind": "kind",
    "drive.name": "text",
    "drive.folder": "folder",
    "archive.folder": "folder",
    'targets."Hunter\'s lantern"': "spellings",
    "filters.Ha": "spellings",
    'telescopes."Long Tom"': "spellings",
    'cameras."Lantern"': "spellings",
    "keywords.filter_name": "spellings",
    **dict.fromkeys(
        (
            "calibration.exposure_relative",
            "calibration.exposure_s",
            "calibration.dark_flat_exposure_relative",
            "calibration.dark_flat_exposure_s",
            "calibration.sensor_deg_c",
            "calibration.rotation_deg",
            "calibration.focal_length_relative",
        ),
        "tolerance",
    ),
    "calibration.flat_nights": "nights",
    "calibration.library_nights": "nights",
    "calibration.least_count": "nights",
    "send.time_limit": "duration",
    "records.folder": "folder",
}
_REQUIRED = ("source.name", "source.folder", "drive.name", "archive.folder")
_MANY = ("source", "drive")
_SECTIONS = (
    "site",
    "source",
    "drive",
    "archive",
    "targets",
    "filters",
    "telescopes",
    "cameras",
    "keywords",
    "calibration",
    "send",
    "records",
)
_OF_PEOPLE = ("targets", "filters", "telescopes", "cameras", "keywords")  # whose keys are names

_OTHER_TYPES = ("true", "[]", "{}", "2026-03-14", "[[1]]", "{ a = 1 }")
_REFUSED = {
    "text": ("5", '""', '"  "', '"a\\nb"', '"a\\u0000b"', *_OTHER_TYPES),
    "folder": ("5", '""', '"  "', '"a\\nb"', '"a\\u0000b"', '"$NOT_SET_ANYWHERE/x"', *_OTHER_TYPES),
    "patterns": ("5", '""', '"**"', "[5]", '["../x"]', '["/x"]', "true", "{}", "2026-03-14"),
    "kind": ("5", '""', '"films"', '"Frames "', *_OTHER_TYPES),
    "latitude": ("91", "-90.001", "nan", "-inf", "1e400", '"51.2"', '"51° N"', *_OTHER_TYPES),
    "longitude": ("361", "-180.001", "nan", "inf", "9" * 400, '"1.9 W"', '"-1,9"', *_OTHER_TYPES),
    "tolerance": ("-0.1", "nan", "inf", '"1"', *_OTHER_TYPES),
    "nights": ("-1", "1.5", "nan", '"30"', *_OTHER_TYPES),
    "duration": ("30", '"30"', '""', '"0m"', '"-5m"', '"soon"', '"1 fortnight"', '"1.2.3h"', *_OTHER_TYPES),
    "spellings": ("5", '"x"', "[5]", '[""]', '["a\\nb"]', "true", "{}", "2026-03-14"),
}
# What is strange, and may be taken or refused: the program itself must not stumble over it.
_STRANGE = {
    "text": ('"' + "x" * 300 + '"', '"../x"', '"CON"', '"\\u202e"', '"e\\u0301"'),
    "folder": ('"/"', '"' + "x" * 300 + '"', '"."', '"/proc/self/mem"', '"\\u00e9"'),
    "patterns": ('["' + "*/" * 200 + '*"]', '["["]', '["**/**/**"]', '["\\u0301"]'),
    "kind": (),
    "latitude": ("90", "-0.0", "1e-300"),
    "longitude": ("360", "-180", "180.0"),
    "tolerance": ("1e308", "0", "9" * 300),
    "nights": ("0", "9" * 20, "9" * 400, "1000000"),
    "duration": ('"99999999999h"', '"0.000001s"', '"1h 1m 1s"', '"' + "9" * 35 + 'h"'),
    "spellings": ("[]", '["' + "x" * 9_000 + '"]', '["Ha"]'),
}


@dataclass(frozen=True)
class Wrong:
    """One wrong configuration: `write` puts it where it is looked for.

    `named` has to be in the message, `near` is the key that a misspelt one resembles. With `refused`
    None it may be taken as well.
    """

    what: str
    write: Callable[[Path, str, random.Random], None]
    refused: bool | None = True
    named: str = ""
    near: str = ""


# The whole configuration of the README, and one change of it


def whole() -> str:
    """Return the README's configuration, its folders those of the scene."""
    readme = (PROJECT / "README.md").read_text(encoding="utf-8")
    found = re.search(r"```toml\n(.*?)```", readme, re.DOTALL)
    assert found is not None
    text = found[1].replace('# folder = "/mnt/nas"', 'folder = "drive"')
    places = {"~/Night frames": "computer/frames", "~/archive": "archive", "~/nightferry": "records"}
    for written, folder in places.items():
        text = text.replace(written, folder)
    return text


def _lines_of(text: str, section: str) -> tuple[int, int]:
    """Return where a section's lines begin, behind its header, and end."""
    lines = text.split("\n")
    header = f"[[{section}]]" if section in _MANY else f"[{section}]"
    start = next(at for at, line in enumerate(lines) if line.startswith(header)) + 1
    end = next((at for at in range(start, len(lines)) if lines[at].startswith("[")), len(lines))
    return start, end


def _with_line(text: str, key: str, line: str | None) -> str:
    """Return the configuration with another line for a key, or without it."""
    section, _, name = key.partition(".")
    lines, (start, end) = text.split("\n"), _lines_of(text, section)
    at = next(at for at in range(start, end) if lines[at].startswith(f"{name} = "))
    return "\n".join([*lines[:at], *([] if line is None else [line]), *lines[at + 1 :]])


def _shown(key: str) -> str:
    """Return a key as a message names it, in quotes only where TOML wants them."""
    section, _, name = key.partition(".")
    bare = re.fullmatch(r'"([A-Za-z0-9_-]+)"', name)
    if bare is not None:
        return f"{section}.{bare[1]}"
    return f"{section}[1].{name}" if section in _MANY else key


def _changes(key: str, line: str | None) -> Callable[[Path, str, random.Random], None]:
    return lambda file, text, _: _put(file, _with_line(text, key, line))


def _put(file: Path, text: str) -> None:
    file.write_text(text, encoding="utf-8")


def _keys() -> Iterator[Wrong]:
    for key, kind in _KINDS.items():
        section, _, name = key.partition(".")
        required = key in _REQUIRED
        named = f"{_shown(key)} is missing" if required else ""
        yield Wrong(f"{key} missing", _changes(key, None), required, named)
        for value in _REFUSED[kind]:
            yield Wrong(f"{key} = {value}", _changes(key, f"{name} = {value}"), True, _shown(key))
        for value in _STRANGE[kind]:
            yield Wrong(f"{key} = {value[:40]}", _changes(key, f"{name} = {value}"), None)
        yield Wrong(f"{key} without a value", _changes(key, f"{name} ="), True, "line")
        yield Wrong(f"{key} twice", _changes(key, f"{name} = 1\n{name} = 1"), True, "line")
        if section not in _OF_PEOPLE:
            yield from _misspelt(key)
    yield from _misspelt("keywords.filter_name", '["X"]')


def _misspelt(key: str, value: str = "1") -> Iterator[Wrong]:
    section, _, name = key.partition(".")
    for wrong in (name[0] + name[2] + name[1] + name[3:], name[:-1], name + name[-1], name.upper()):
        where = _shown(f"{section}.{wrong}")
        yield Wrong(f"{key} as {wrong}", _changes(key, f"{wrong} = {value}"), True, where, name)


def _sections() -> Iterator[Wrong]:
    for section in _SECTIONS:
        header = f"[[{section}]]" if section in _MANY else f"[{section}]"
        other = f"[{section}]" if section in _MANY else f"[[{section}]]"
        near = section[0] + section[2] + section[1] + section[3:]
        yield Wrong(
            f"{header} misspelt", _replaces(header, header.replace(section, near)), True, near, header
        )
        yield Wrong(f"{header} as {other}", _replaces(header, other), True, section)
        yield Wrong(f"{header} is a text", _replaces(header, f'{section} = "x"\n[nothing]'), True, section)
        yield Wrong(f"{header} not closed", _replaces(header, header[:-1]), True, "line")
        if section not in _MANY:
            yield Wrong(
                f"{header} twice", lambda file, text, _, h=header: _put(file, f"{text}\n{h}\n"), True, "line"
            )


def _replaces(old: str, new: str) -> Callable[[Path, str, random.Random], None]:
    return lambda file, text, _: _put(file, f"\n{text}".replace(f"\n{old}", f"\n{new}", 1)[1:])


# What is no configuration at all


def _bytes(make: Callable[[bytes, random.Random], bytes]) -> Callable[[Path, str, random.Random], None]:
    def write(file: Path, text: str, dice: random.Random) -> None:
        file.write_bytes(make(text.encode(), dice))

    return write


def _in_a_word(text: bytes, dice: random.Random) -> bytes:
    at = dice.randrange(len(text))
    return text[:at] + dice.randbytes(dice.randint(1, 6)) + text[at + 1 :]


def _fifo(file: Path, _: str, __: random.Random) -> None:
    os.mkfifo(file)


def _socket(file: Path, _: str, __: random.Random) -> None:
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(os.path.relpath(file))


def _secret(file: Path, text: str, _: random.Random) -> None:
    _put(file, text)
    file.chmod(0)


def _links_to(target: str) -> Callable[[Path, str, random.Random], None]:
    return lambda file, _, __: file.symlink_to(target)


def _files() -> Iterator[Wrong]:
    made: dict[str, Callable[[bytes, random.Random], bytes]] = {
        "UTF-16, little end first": lambda text, _: text.decode().encode("utf-16"),
        "UTF-16, no mark": lambda text, _: text.decode().encode("utf-16-be"),
        "UTF-32": lambda text, _: text.decode().encode("utf-32"),
        "Latin-1": lambda text, _: text.replace(b"Kestrel", b"K\xe9strel"),
        "a NUL": lambda text, _: text.replace(b"Kestrel", b"K\0strel"),
        "NULs": lambda text, _: bytes(len(text)),
        "10 MB of comment": lambda text, _: text + b"# x\n" * 2_500_000,
        "10 MB of bytes": lambda _, dice: dice.randbytes(10_000_000),
        "a megabyte in one line": lambda _, __: b"x = " + b"9" * 1_000_000,
        "deep": lambda text, _: text + b"x = " + b"[" * 100_000,
        "deep keys": lambda text, _: b"a." * 20_000 + b"a = 1\n" + text,
        "half": lambda text, _: text[: text.index(b"take") + 8],
        "binary": lambda _, dice: b"\x7fELF" + dice.randbytes(5_000),
        "another program's": lambda _, __: b"<?xml version='1.0'?>\n<site latitude='51.2'/>\n",
        "JSON": lambda _, __: b'{"site": {"latitude": 51.2}}\n',
    }
    yield from (Wrong(f"file: {what}", _bytes(make)) for what, make in made.items())
    harmless: dict[str, Callable[[bytes, random.Random], bytes]] = {
        "BOM": lambda text, _: b"\xef\xbb\xbf" + text,
        "CRLF": lambda text, _: text.replace(b"\n", b"\r\n"),
    }
    yield from (Wrong(f"file: {what}", _bytes(make), False) for what, make in harmless.items())
    yield Wrong("file: a folder", lambda file, _, __: file.mkdir())
    yield Wrong("file: a FIFO", _fifo)
    yield Wrong("file: a socket", _socket)
    yield Wrong("file: unreadable", _secret)
    yield Wrong("file: not there", lambda *_: None)
    for target in ("nowhere", NAME, "/dev/zero", "/proc/self/mem", "/dev/null/x"):
        yield Wrong(f"file: a link to {target}", _links_to(target))
    yield from (
        Wrong("random bytes", _bytes(lambda _, d: d.randbytes(d.randint(1, 5_000)))) for _ in range(40)
    )
    yield from (Wrong("bytes in a word", _bytes(_in_a_word), None) for _ in range(_RANDOM_FILES - 40))


WRONG = tuple(random.Random(1).sample(found := [*_keys(), *_sections(), *_files()], len(found)))
