"""Stored names on real file systems and to other people's readers.

The file systems are the kernel's ext4 and those of exfat-fuse, ntfs-3g and fusefat; the readers are bagit 1.9
(Library of Congress) and `sha256sum` of GNU coreutils, run in the bag's root.
"""

from __future__ import annotations

import hashlib
import logging
import os
import shutil
import subprocess
from pathlib import PureWindowsPath

import bagit
import pytest

from manifests.bags.stored_names import NameBook
from tests.support.volumes import KINDS

# Each pair is one name to some file system, or no name to some reader.
SOURCE_NAMES = (
    *("a:b.fits", "A_B.fits", "ring.fits", "Ring.FITS", "CON.txt", "con.txt ", "x.", "x ", "._y", "~z"),
    *("%41", "100%", "a\nb", "a\rb", "a\x0bb", "a\x85b", "a\u2028b", "ends in a space ", " begins with one"),
    *("straße", "STRASSE", "ß", "\u1e9e", "\ufb00", "ff", "\u03a3", "\u03c3", "\u03c2", "\u0130", "i\u0307"),
    *(
        "\u0131.fits",
        "I.fits",
        "i.fits",
        "\u212a.txt",
        "k.txt",
        "e\u0301.log",
        "\u00e9.log",
        "\u2126",
        "\u03c9",
    ),
    *(
        "\u00b5",
        "\u03bc",
        "\u01c5",
        "\u01c6",
        "\u1fbe",
        "\u03b9",
        "a\u200db",
        "ab",
        "\ufeffq",
        "q",
        "bad\udcff",
    ),
    *(
        "n" * 300 + ".fits",
        "\u661f" * 200,
        "\u0390" * 200,
        "\U0001f320" * 100,
        "-rf",
        "#1",
        'it\'s "it"',
        "$HOME",
    ),
)


def ascii_only(names):
    return [name for name in names if name.isascii()]


@pytest.mark.parametrize("kind", KINDS)
def test_every_stored_name_is_a_file_of_its_own_and_listed_as_it_was_written(volumes, kind):
    book = NameBook()
    stored = [book.claim(name) for name in SOURCE_NAMES]
    if kind == "fat32":
        stored = ascii_only(stored)  # this driver makes no others
    with volumes(kind) as drive:
        for name in stored:
            os.close(os.open(drive.path / name, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        drive.unmount()
        drive.mount_again()
        assert set(stored) <= {file.name for file in drive.path.iterdir()}


@pytest.fixture
def bag(tmp_path):
    """Make a bag by hand, as RFC 8493 shows it, of one file for each name."""
    book, lines = NameBook(), []
    for name in SOURCE_NAMES:
        path = book.claim(f"data/the logs/{name}")
        file = tmp_path / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(os.fsencode(name))
        lines.append(f"{hashlib.sha256(os.fsencode(name)).hexdigest()}  {path}\n")
    declaration = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    (tmp_path / "bagit.txt").write_text(declaration, encoding="utf-8")
    (tmp_path / "manifest-sha256.txt").write_text("".join(lines), encoding="utf-8")
    return tmp_path


def test_the_reference_library_takes_every_stored_name(bag, caplog):
    caplog.set_level(logging.ERROR, "bagit")
    library = bagit.Bag(str(bag))
    library.validate()
    assert len(library.payload_entries()) == len(SOURCE_NAMES)


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="needs sha256sum")
def test_sha256sum_takes_every_stored_name(bag):
    checked = subprocess.run(
        ["sha256sum", "--check", "--strict", "--quiet", "manifest-sha256.txt"],
        cwd=bag,
        capture_output=True,
        check=False,
    )
    assert (checked.returncode, checked.stdout, checked.stderr) == (0, b"", b"")


@pytest.mark.filterwarnings("ignore:pathlib.PureWindowsPath.is_reserved:DeprecationWarning")
def test_no_stored_name_is_a_device_to_the_standard_library():
    book = NameBook()
    devices = [
        "CON",
        "prn.fits",
        "AUX .log",
        "nul.tar.gz",
        "COM1",
        "lpt9.x",
        "com\u00b2",
        "LPT\u00b9.fits",
        "conin$",
    ]
    for name in devices:
        assert PureWindowsPath(name).is_reserved()
        assert not PureWindowsPath(book.claim(name)).is_reserved()
