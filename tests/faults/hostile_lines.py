"""What the lists of a hostile bag may say, and how: lines without end, encodings, spellings, numbers."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable
from pathlib import Path

Maker = Callable[[Path, random.Random], None]
MANIFEST = "manifest-sha256.txt"
_TAG_MANIFEST = "tagmanifest-sha256.txt"
_GIB = 1 << 30
_DEEP = 10_000
_MANY = 200_000
_ELSEWHERE = hashlib.sha256(b"elsewhere\n").hexdigest()


def _says(name: str, content: bytes) -> Maker:
    """Return what puts a tag file there, in the place of one that is."""

    def make(bag: Path, _: random.Random) -> None:
        (bag / name).parent.mkdir(exist_ok=True)
        (bag / name).write_bytes(content)

    return make


def _adds(content: bytes, name: str = MANIFEST) -> Maker:
    def make(bag: Path, _: random.Random) -> None:
        with (bag / name).open("ab") as file:
            file.write(content)

    return make


def _lists(path: str, digest: str = _ELSEWHERE) -> Maker:
    return _adds(f"{digest}  {path}\n".encode())


def _endless_line(name: str, start: bytes) -> Maker:
    """Return what makes a file's last line one of a gibibyte; it takes no room on the disk."""

    def make(bag: Path, dice: random.Random) -> None:
        (bag / name).parent.mkdir(exist_ok=True)
        with (bag / name).open("ab") as file:
            file.write(start)
            file.truncate(file.tell() + _GIB)

    return make


def _recoded(encoding: str, declared: str) -> Maker:
    """Return what writes the manifest in an encoding, and declares one."""

    def make(bag: Path, _: random.Random) -> None:
        (bag / MANIFEST).write_bytes((bag / MANIFEST).read_text("utf-8").encode(encoding))
        declaration = f"BagIt-Version: 1.0\nTag-File-Character-Encoding: {declared}\n"
        (bag / "bagit.txt").write_text(declaration)

    return make


def _climbs_as(declared: str, written: bytes) -> Maker:
    """Return what declares an encoding in which a line climbs that does not in others."""

    def make(bag: Path, dice: random.Random) -> None:
        _recoded("utf-8", declared)(bag, dice)
        _adds(_ELSEWHERE.encode() + b"  " + written + b"\n")(bag, dice)

    return make


def _respelled(change: Callable[[str], str]) -> Maker:
    """Return what lists a file that is there once more, spelled otherwise, with another digest."""

    def make(bag: Path, dice: random.Random) -> None:
        _lists(change("data/notes.txt"))(bag, dice)

    return make


def _both_twins(first: str, second: str) -> Maker:
    """Return what makes two files whose names some systems take for one, each listed with its own digest."""

    def make(bag: Path, dice: random.Random) -> None:
        for name, other in ((first, "notes.txt"), (second, "frames/one.fits")):
            content = (bag / "data" / other).read_bytes()
            (bag / "data" / name).write_bytes(content)
            _lists(f"data/{name}", hashlib.sha256(content).hexdigest())(bag, dice)

    return make


def _swapped_twins(bag: Path, dice: random.Random) -> None:
    """Return each of two twins the other's digest."""
    for name, content in (("Twin.fits", b"one"), ("twin.fits", b"other")):
        (bag / "data" / name).write_bytes(content)
    for name, content in (("Twin.fits", b"other"), ("twin.fits", b"one")):
        _lists(f"data/{name}", hashlib.sha256(content).hexdigest())(bag, dice)


def _linked(target: str) -> Maker:
    def make(bag: Path, dice: random.Random) -> None:
        (bag / "data/link").symlink_to(target)
        _lists("data/link")(bag, dice)

    return make


def _loop_listed(bag: Path, dice: random.Random) -> None:
    (bag / "data/loop").symlink_to(bag / "data")
    _lists(
        "data/" + "loop/" * 30 + "notes.txt",
        hashlib.sha256((bag / "data/notes.txt").read_bytes()).hexdigest(),
    )(bag, dice)
    (bag / "data/self").symlink_to("self")
    _lists("data/self")(bag, dice)


def _named_as_devices(bag: Path, dice: random.Random) -> None:
    """Make ordinary files that Windows would take for devices: here they are what they are."""
    for name in ("NUL.fits", "aux.fits.gz", "com1", "LPT¹.txt"):
        content = (bag / "data/notes.txt").read_bytes()
        (bag / "data" / name).write_bytes(content)
        _lists(f"data/{name}", hashlib.sha256(content).hexdigest())(bag, dice)


def _carriage_returns(bag: Path, _: random.Random) -> None:
    (bag / MANIFEST).write_bytes((bag / MANIFEST).read_bytes().replace(b"\n", b"\r"))


def _own_folder_loops(bag: Path, dice: random.Random) -> None:
    """Put a link to itself where our own lists would be."""
    (bag / "nightferry").symlink_to(bag / "nightferry")


def _entries_are_endless(bag: Path, _: random.Random) -> None:
    (bag / "nightferry").mkdir()
    (bag / "nightferry/entries.jsonl").symlink_to("/dev/zero")


_nested = b"[" * 200_000 + b"\n"
_own = "nightferry/"
HOSTILE_LINES: dict[str, Maker] = {
    "1 GB line in the manifest": _endless_line(MANIFEST, f"{_ELSEWHERE}  data/".encode()),
    "1 GB digest": _endless_line(MANIFEST, b"a"),
    "1 GB line in the tag manifest": _endless_line(_TAG_MANIFEST, f"{_ELSEWHERE}  ".encode()),
    "1 GB line in bagit.txt": _endless_line("bagit.txt", b"BagIt-Version: "),
    "1 GB line in bag-info.txt": _endless_line("bag-info.txt", b"Payload-Oxum: 1"),
    "1 GB line in fetch.txt": _endless_line("fetch.txt", b"http://127.0.0.1:9/"),
    "1 GB line in the journal": _endless_line(f"{_own}journal.jsonl", b'{"path": "'),
    "nested journal": _says(f"{_own}journal.jsonl", _nested),
    "deep path": _lists("data/" + "d/" * _DEEP + "leaf"),
    "climbs by ten thousand": _lists("data/" + "../" * _DEEP + "outside/secret"),
    "many files that are not there": _adds(
        b"".join(b"%064x  data/%d.fits\n" % (number, number) for number in range(_MANY))
    ),
    "many lines that are none": _adds(b"nothing\n" * _MANY),
    "digest of another algorithm": _lists("data/notes.txt", hashlib.sha512(b"x").hexdigest()),
    "digest of no digits": _lists("data/notes.txt", "g" * 64),
    "digest that is empty": _adds(b"  data/notes.txt\n"),
    "digest of other digits": _lists("data/notes.txt", "１" * 64),
    "lists a tag file": _lists("bagit.txt"),
    "lists itself": _lists(MANIFEST),
    "lists the payload's folder": _lists("data"),
    "lists a folder": _lists("data/frames/"),
    "spelled with a dot": _respelled(lambda path: path.replace("data/", "data/./")),
    "spelled with two slashes": _respelled(lambda path: path.replace("data/", "data//")),
    "spelled with a detour": _respelled(lambda path: path.replace("data/", "data/frames/../")),
    "spelled with a dot first": _respelled(lambda path: f"./{path}"),
    "spelled with a backslash": _respelled(lambda path: path.replace("/", "\\")),
    "stream of a file": _respelled(lambda path: f"{path}::$DATA"),
    "drive letter below": _lists("data/C:/Windows/win.ini"),
    "device path of a volume": _lists("\\\\.\\PhysicalDrive0"),
    "UNC with backslashes": _lists("\\\\server\\share\\x"),
    "swapped twins": _swapped_twins,
    "overlong UTF-8 climbs": _adds(
        _ELSEWHERE.encode() + b"  data/\xc0\xae\xc0\xae/\xc0\xae\xc0\xae/outside\n"
    ),
    "UTF-7 climbs": _climbs_as("UTF-7", b"data/+AC4ALg-/+AC4ALg-/outside/secret"),
    "escapes climb": _climbs_as("unicode_escape", b"data/\\u002e\\u002e/\\u002e\\u002e/outside/secret"),
    "UTF-16 without a mark": _recoded("utf-16-le", "UTF-8"),
    "UTF-32": _recoded("utf-32", "UTF-8"),
    "EBCDIC, undeclared": _recoded("cp037", "UTF-8"),
    "an encoding that packs": _recoded("utf-8", "zlib_codec"),
    "an encoding that is none": _recoded("utf-8", "none\0of them"),
    "link to an endless device": _linked("/dev/zero"),
    "link to what waits": _linked("/dev/tty"),
    "link to a process's memory": _linked("/proc/self/environ"),
    "link to nothing": _linked("nowhere"),
    "links in a loop, listed": _loop_listed,
}
# What the standard allows, or leaves open: it has to end in order, whatever it says.
STRANGE_LINES: dict[str, Maker] = {
    "declared as UTF-16": _recoded("utf-16", "UTF-16"),
    "declared as Latin 1": _recoded("latin-1", "ISO-8859-1"),
    "declared as Shift-JIS": _recoded("shift-jis", "Shift_JIS"),
    "nested entries": _says(f"{_own}entries.jsonl", _nested),
    "entries that are endless": _entries_are_endless,
    "1 GB line in the entries": _endless_line(f"{_own}entries.jsonl", b'{"path": "'),
    "own folder is a loop": _own_folder_loops,
    "carriage returns alone": _carriage_returns,
    "form feeds and separators": _adds(b"\x0c\n\x1c\x1d\n\xc2\x85\n\xe2\x80\xa8\n"),
}
HARMLESS_LINES: dict[str, Maker] = {
    "twins in case, both there": _both_twins("Twin.fits", "twin.FITS"),
    "twins in normal form, both there": _both_twins("caf\u00e9.fits", "cafe\u0301.fits"),
    "files named as devices": _named_as_devices,
}
