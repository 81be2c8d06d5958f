"""Bags made to mislead a check, or to hang it: whoever made them, nothing outside is taken for theirs."""

from __future__ import annotations

import hashlib
import os
import random
import socket
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from tests.faults.hostile_lines import HARMLESS_LINES, HOSTILE_LINES, STRANGE_LINES
from tests.faults.judge import Ran, fingerprint, require, require_ended, require_same
from tests.faults.scene import Scene, room, run_plainly
from tests.faults.trials import Fault, Trial, telling

_MANIFEST = "manifest-sha256.txt"
_DEEP = 10_000
_LONG_BYTES = 64 << 20
# A run has 300 MB to its name (RLIMIT_AS of getrlimit(2)): threads, libraries and all.
_IN_LITTLE_MEMORY = ("prlimit", "--as=300000000", "--")


def sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def make_bag(bag: Path, dice: random.Random) -> None:
    """Make a small bag that holds, without the product."""
    (bag / "data/frames").mkdir(parents=True)
    for name in ("frames/one.fits", "frames/two.fits", "notes.txt"):
        (bag / "data" / name).write_bytes(dice.randbytes(2_000))
    (bag / "bagit.txt").write_bytes(b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    lines = [
        f"{sha256(path.read_bytes())}  {path.relative_to(bag).as_posix()}\n"
        for path in sorted((bag / "data").rglob("*"))
        if path.is_file()
    ]
    (bag / _MANIFEST).write_text("".join(lines))


def _list(bag: Path, name: str, content: bytes = b"elsewhere\n", ending: bytes = b"\n") -> None:
    with (bag / _MANIFEST).open("ab") as file:
        file.write(f"{sha256(content)}  ".encode() + name.encode("utf-8", "surrogateescape") + ending)


def _manifest(bag: Path, change: Callable[[bytes], bytes]) -> None:
    path = bag / _MANIFEST
    path.write_bytes(change(path.read_bytes()))


def _lists(name: str) -> Callable[[Path, random.Random], None]:
    return lambda bag, _: _list(bag, name)


def _rewrites(change: Callable[[bytes], bytes]) -> Callable[[Path, random.Random], None]:
    return lambda bag, _: _manifest(bag, change)


def _link_to_file(bag: Path, _: random.Random) -> None:
    (bag / "data/link").symlink_to(bag.parent / "outside/secret")
    _list(bag, "data/link")


def _link_to_folder(bag: Path, _: random.Random) -> None:
    (bag / "data/link").symlink_to(bag.parent / "outside")
    _list(bag, "data/link/secret")


def _link_to_itself(bag: Path, _: random.Random) -> None:
    (bag / "data/loop").symlink_to(bag / "data")
    (bag / "data/self").symlink_to(bag / "data/self")


def _payload_is_a_link(bag: Path, _: random.Random) -> None:
    (bag / "data").rename(bag.parent / "outside/data")
    (bag / "data").symlink_to(bag.parent / "outside/data")


def _fifo(bag: Path, _: random.Random) -> None:
    os.mkfifo(bag / "data/pipe")
    _list(bag, "data/pipe")


def _fifo_unlisted(bag: Path, _: random.Random) -> None:
    os.mkfifo(bag / "data/pipe")


def _device(bag: Path, _: random.Random) -> None:
    os.mknod(bag / "data/zero", 0o20644, os.makedev(1, 5))
    _list(bag, "data/zero")


def _socket(bag: Path, _: random.Random) -> None:
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(os.path.relpath(bag / "data/socket"))
    _list(bag, "data/socket")


def _manifest_is_a_fifo(bag: Path, _: random.Random) -> None:
    (bag / _MANIFEST).unlink()
    os.mkfifo(bag / _MANIFEST)


def _manifest_is_endless(bag: Path, _: random.Random) -> None:
    (bag / _MANIFEST).unlink()
    (bag / _MANIFEST).symlink_to("/dev/zero")


def _manifest_is_a_folder(bag: Path, _: random.Random) -> None:
    (bag / _MANIFEST).unlink()
    (bag / _MANIFEST).mkdir()


def _declaration_is_a_fifo(bag: Path, _: random.Random) -> None:
    (bag / "bagit.txt").unlink()
    os.mkfifo(bag / "bagit.txt")


def _deep(bag: Path, _: random.Random) -> None:
    """Make a tree deeper than any path may be long."""
    here = os.open(bag / "data", os.O_RDONLY)
    for _level in range(_DEEP):
        os.mkdir("d", dir_fd=here)
        below = os.open("d", os.O_RDONLY, dir_fd=here)
        os.close(here)
        here = below
    with os.fdopen(os.open("leaf", os.O_CREAT | os.O_WRONLY, dir_fd=here), "wb") as file:
        file.write(b"deep\n")
    os.close(here)


def _long_line(bag: Path, _: random.Random) -> None:
    _list(bag, "data/" + "x" * _LONG_BYTES)


def _twins(bag: Path, _: random.Random) -> None:
    _list(bag, "data/NOTES.TXT", (bag / "data/notes.txt").read_bytes())


def _normal_form_twins(bag: Path, _: random.Random) -> None:
    (bag / "data/caf\u00e9").write_bytes(b"elsewhere\n")
    _list(bag, "data/cafe\u0301")


def _duplicate_other_digest(bag: Path, _: random.Random) -> None:
    _list(bag, "data/notes.txt", b"another content")


def _duplicate(bag: Path, _: random.Random) -> None:
    _list(bag, "data/notes.txt", (bag / "data/notes.txt").read_bytes())


def _sibling(bag: Path, _: random.Random) -> None:
    evil = bag.with_name(f"{bag.name}-evil")
    evil.mkdir()
    (evil / "x").write_bytes(b"elsewhere\n")
    _list(bag, f"../{evil.name}/x")


def _tag_manifest_climbs(bag: Path, _: random.Random) -> None:
    (bag / "tagmanifest-sha256.txt").write_text(f"{sha256(b'elsewhere' + bytes([10]))}  ../outside/secret\n")


def _unknown_algorithm_only(bag: Path, _: random.Random) -> None:
    (bag / _MANIFEST).rename(bag / "manifest-crc32.txt")


def _wrong_oxum(bag: Path, _: random.Random) -> None:
    (bag / "bag-info.txt").write_text("Payload-Oxum: 17.3\n")


def _fetch(bag: Path, _: random.Random) -> None:
    (bag / "fetch.txt").write_text("http://127.0.0.1:9/x 10 data/x\n")
    _list(bag, "data/x")


def _other_version(bag: Path, _: random.Random) -> None:
    (bag / "bagit.txt").write_bytes(b"BagIt-Version: 9.9\nTag-File-Character-Encoding: KLINGON\n")


def _companions(bag: Path, dice: random.Random) -> None:
    (bag / "data/.DS_Store").write_bytes(b"\0\0\0\1Bud1" + dice.randbytes(200))
    (bag / "data/frames/._one.fits").write_bytes(bytes.fromhex("0005160700020000") + bytes(60))


_secret = "outside/secret"
HOSTILE: dict[str, Callable[[Path, random.Random], None]] = {
    **HOSTILE_LINES,
    "climbs": _lists(f"../{_secret}"),
    "climbs from data": _lists(f"data/../../{_secret}"),
    "climbs encoded": _lists(f"data/%2e%2e/%2e%2e/{_secret}"),
    "climbs with backslashes": _lists("data\\..\\..\\outside\\secret"),
    "absolute": _lists("/etc/hostname"),
    "home folder": _lists("~root/.profile"),
    "drive letter": _lists("C:/Windows/win.ini"),
    "UNC": _lists("//server/share/x"),
    "device path": _lists("\\\\?\\C:\\x"),
    "device name": _lists("data/CON"),
    "NUL in a path": _lists("data/notes.txt\0.fits"),
    "not UTF-8": _lists("data/\udcff\udcfe"),
    "sibling": _sibling,
    "link to a file outside": _link_to_file,
    "link to a folder outside": _link_to_folder,
    "link to itself": _link_to_itself,
    "payload is a link": _payload_is_a_link,
    "FIFO": _fifo,
    "FIFO, unlisted": _fifo_unlisted,
    "endless device": _device,
    "socket": _socket,
    "manifest is a FIFO": _manifest_is_a_fifo,
    "manifest is endless": _manifest_is_endless,
    "manifest is a folder": _manifest_is_a_folder,
    "declaration is a FIFO": _declaration_is_a_fifo,
    "deep tree": _deep,
    "long line": _long_line,
    "twin in case": _twins,
    "duplicate line with another digest": _duplicate_other_digest,
    "digest too short": _rewrites(lambda text: text[1:]),
    "digest too long": _rewrites(lambda text: b"a" + text),
    "UTF-16": _rewrites(lambda text: text.decode().encode("utf-16")),
    "no line end, two in one": _rewrites(lambda text: text.replace(b"\n", b"", 1)),
    "empty manifest": _rewrites(lambda _: b""),
    "tag manifest climbs": _tag_manifest_climbs,
    "unknown algorithm only": _unknown_algorithm_only,
    "wrong oxum": _wrong_oxum,
    "to be fetched": _fetch,
    "other version": _other_version,
}
# Strange, and what the standard allows or leaves open: it has to end in order, whatever it says.
STRANGE: dict[str, Callable[[Path, random.Random], None]] = {
    **STRANGE_LINES,
    "duplicate line": _duplicate,
    "twins in normal form": _normal_form_twins,
    "BOM": _rewrites(lambda text: b"\xef\xbb\xbf" + text),
}
HARMLESS: dict[str, Callable[[Path, random.Random], None]] = {
    **HARMLESS_LINES,
    "companions of other systems": _companions,
    "mixed line ends": _rewrites(lambda text: text.replace(b"\n", b"\r\n", 1)),
    "upper case": _rewrites(
        lambda text: b"\n".join(line[:64].upper() + line[64:] for line in text.split(b"\n"))
    ),
    "tabs": _rewrites(lambda text: text.replace(b"  ", b"\t")),
}


def try_bag(trial: Trial) -> None:
    """Check a bag that was made to mislead; one in ten is only strange, or harmless."""
    kinds = {**HOSTILE, **STRANGE, **HARMLESS}
    # Behind what keeps links inside lie other protections: only this kind shows that it is missing.
    names = sorted(kinds) if trial.without != "link-containment" else ["link to a file outside"]
    name = names[(trial.number + trial.seed) % len(names)]
    with room() as root:
        bag = root / "bag"
        make_bag(bag, trial.dice)
        (root / "outside").mkdir()
        (root / "outside/secret").write_bytes(b"elsewhere\n")
        kinds[name](bag, trial.dice)
        before = fingerprint(root / "outside")
        scene = Scene(root / "unused", bag, trial.dice, trial.without, start=_IN_LITTLE_MEMORY)
        ran = run_plainly(scene.command("check", bag, "--json"))
        with telling(name):
            require_same(before, fingerprint(root / "outside"), "what lies outside")
            require_ended(ran)
            require("MemoryError" not in ran.out + ran.err, f"it needs more memory: {ran.out[-300:]}")
            require(ran.document, "it printed nothing")
            require(name not in HOSTILE or ran.exit != 0, f"it holds, says the check: {ran.out[-300:]}")
            require(name not in HARMLESS or ran.exit == 0, f"it does not hold: {ran.out[-700:]}")
            _require_quick_in_order(run_plainly(scene.command("check", bag, "--json", "--quick")), name)
            require_same(before, fingerprint(root / "outside"), "what lies outside")
        remove_deep(bag)


def _require_quick_in_order(ran: Ran, name: str) -> None:
    """A quick check opens no payload; what it finds of the lists it has to tell all the same."""
    require_ended(ran, "quick")
    require("MemoryError" not in ran.out + ran.err, f"quick needs more memory: {ran.out[-300:]}")
    require("proven" not in ran.document["message"], f"quick claims: {ran.document['message']}")
    require(name not in HARMLESS or ran.exit == 0, f"quick says it does not hold: {ran.out[-700:]}")


def remove_deep(bag: Path) -> None:
    with suppress(OSError):
        run_plainly(["rm", "-rf", str(bag)])


FAULTS = (Fault("hostile-bags", "bags made to mislead or to hang a check", ("ext4",), 300, try_bag, 6),)
