"""`nightferry page` interrupted, on a full disk, beside other people's files, on a read-only archive."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

from manifests.bags.builder import content_of
from manifests.bags.paths import PAGE_FOLDER
from manifests.index import opening
from manifests.index.migrations import MIGRATIONS, Migration
from tests.support.desks import fingerprint
from tests.support.pages_read import page, pages_of
from tests.support.small_archive import SmallArchive, frame_bytes
from tests.support.terminals import until_it_ends
from tests.support.volumes import unavailable
from transfer.cli.main import main

COLUMNS = 80


@pytest.fixture
def archive(tmp_path: Path) -> SmallArchive:
    """Return an archive of three lights of one night."""
    made = SmallArchive(tmp_path / "archive")
    for number in range(3):
        made.light(f"Ha {number}.fits", **{"DATE-OBS": f"2026-03-14T2{number}:00:00"})
    return made


def assert_whole(folder: Path) -> None:
    """Check that every link of every page leads to a file."""
    for read in pages_of(folder):
        for link in (*read.links, *read.sources):
            assert read.target_of(link).exists(), (read.path, link)


# Interrupted, at a terminal


def with_many_lights(archive: SmallArchive, count: int) -> None:
    """File so many lights at once."""
    (bag,) = archive.entries
    entry = archive.entries[bag][0]
    for number in range(count):
        content = frame_bytes(f"many {number}")
        path = f"data/2026-03-14/Ha/many {number}.fits"
        (bag / path).write_bytes(content)
        seen = content_of(path, [content])
        archive.entries[bag].append(replace(entry, path=path, digests=seen.digests))
    archive.write_lists(bag)


def at_a_terminal(root: Path, may_go_on: Callable[[], bool] = lambda: True) -> tuple[int, str]:
    """Run the command at a terminal of 80 columns; type Ctrl-C once it may not go on."""
    pty = pytest.importorskip("pty", reason="a terminal of one's own is POSIX only")
    process, terminal = pty.fork()
    if process == 0:
        os.environ.pop("COLUMNS", None)
        os.execv(sys.executable, [sys.executable, "-m", "transfer", "page", "--archive", str(root)])
    import fcntl
    import struct
    import termios

    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, COLUMNS, 0, 0))
    typed: list[int] = []

    def answer(_shown: bytes) -> None:
        if not typed and not may_go_on():
            typed.append(os.write(terminal, b"\x03"))

    return until_it_ends(process, terminal, answer)


def test_a_terminal_sees_how_many_targets_and_nights_have_their_pages(archive: SmallArchive) -> None:
    code, shown = at_a_terminal(archive.root)
    assert code == 0
    bars = [part for part in shown.replace("\n", "\r").split("\r") if part.startswith("pages:")]
    assert "| 0/2 [" in bars[0]
    assert "| 2/2 [" in bars[-1]


def test_ctrl_c_keeps_what_is_made_and_the_next_run_goes_on(archive: SmallArchive) -> None:
    with_many_lights(archive, 400)
    page_folder = archive.root / PAGE_FOLDER
    code, shown = at_a_terminal(archive.root, lambda: not any(page_folder.rglob("*.js")))
    assert code == 6
    assert "Run nightferry page again: it goes on." in " ".join(shown.split())
    parts = shown.replace("^C", "").replace("\n", "\r").split("\r")  # ^C is the terminal's own
    bars = [part for part in parts if part.startswith("thumbnails:")]
    assert any("B/s]" in bar and "<" in bar for bar in bars)
    assert max(map(len, bars)) < COLUMNS
    assert not list(page_folder.rglob("*.html"))
    told = page(archive.root)
    assert told["exit"] == 0
    assert told["thumbnails_kept"] > 0
    assert told["thumbnails_made"] > 0
    assert told["thumbnails_kept"] + told["thumbnails_made"] == 403


# A full disk, and one that cannot be written


def mounted(kind: str, folder: Path, *words: str | Path) -> Iterator[Path]:
    """Mount something over a folder; skip, or in CI fail, where that cannot be."""
    folder.mkdir()
    command = ["mount", *words, folder]
    if os.geteuid() != 0 or subprocess.run(command, check=False, capture_output=True).returncode:
        unavailable(f"needs to mount {kind}")
    yield folder
    subprocess.run(["umount", folder], check=True)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    yield from mounted("a tmpfs", tmp_path / "small", "-t", "tmpfs", "-o", "size=200k", "tmpfs")


@pytest.fixture
def read_only_disk(archive: SmallArchive, tmp_path: Path) -> Iterator[Path]:
    """Return the archive as it is on a disk that is mounted read-only."""
    CliRunner().invoke(main, ["targets", "--archive", str(archive.root)])  # which builds its index
    for folder in mounted("a folder again", tmp_path / "read only", "--bind", archive.root):
        subprocess.run(["mount", "-o", "remount,ro,bind", folder], check=True)
        yield folder


@pytest.mark.volume
def test_a_full_disk_leaves_the_old_pages_whole_and_the_next_run_goes_on(
    archive: SmallArchive, small_disk: Path
) -> None:
    out = small_disk / "out"
    assert page(archive.root, "--out", out)["exit"] == 0
    before = {name: facts for name, facts in fingerprint(out).items() if "pictures" not in name}
    archive.light("later.fits", night=date(2026, 4, 1), **{"DATE-OBS": "2026-04-01T22:00:00"})
    (small_disk / "other things").write_bytes(bytes(shutil.disk_usage(small_disk).free - 20_000))
    told = page(archive.root, "--out", out)
    assert told["exit"] == 4
    assert "The disk of the page is full. Make room on it" in told["message"]
    assert {name: facts for name, facts in fingerprint(out).items() if "pictures" not in name} == before
    assert_whole(out)
    (small_disk / "other things").unlink()
    told = page(archive.root, "--out", out)
    assert (told["exit"], told["thumbnails_kept"] >= 3) == (0, True)
    assert_whole(out)


@pytest.mark.volume
def test_an_archive_on_a_read_only_disk_has_its_page_elsewhere(
    archive: SmallArchive, read_only_disk: Path, tmp_path: Path
) -> None:
    before = fingerprint(archive.root)
    told = page(read_only_disk)
    assert told["exit"] == 1
    assert "cannot be written beside the archive's index" in told["message"]
    assert "--out FOLDER" in told["message"]
    told = page(read_only_disk, "--out", tmp_path / "out")
    assert (told["exit"], told["frames"]) == (0, 3)
    assert fingerprint(archive.root) == before


# What was there before


def test_nothing_of_other_peoples_files_is_overwritten_or_removed(
    archive: SmallArchive, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    for name in (
        "notes.txt",
        "nights/2025-01-01.html",
        "targets/m-33.html",
        "pictures/ab/mine.jpg",
        "look/a.css",
    ):
        (out / name).parent.mkdir(parents=True, exist_ok=True)
        (out / name).write_text(f"mine: {name}", encoding="utf-8")
    before = fingerprint(out)
    assert page(archive.root, "--out", out)["exit"] == 0
    archive.light("later.fits")
    assert page(archive.root, "--out", out)["exit"] == 0
    assert {name: fingerprint(out)[name] for name in before} == before


def test_a_file_of_anothers_with_the_name_of_a_page_ends_the_run_before_any_page(
    archive: SmallArchive, tmp_path: Path
) -> None:
    mine = tmp_path / "out" / "nights" / "2026-03-14.html"
    mine.parent.mkdir(parents=True)
    mine.write_text("what I saw that night", encoding="utf-8")
    told = page(archive.root, "--out", tmp_path / "out")
    assert told["exit"] == 2
    assert f"{mine}: A file has the name of a page, and nightferry did not write it." in told["message"]
    assert [path.name for path in (tmp_path / "out").rglob("*.html")] == [mine.name]
    assert mine.read_text(encoding="utf-8") == "what I saw that night"


def test_an_index_from_before_is_brought_up_to_date_and_asked(
    archive: SmallArchive, monkeypatch: pytest.MonkeyPatch
) -> None:
    page(archive.root)
    step = Migration("one more", ("ALTER TABLE files ADD COLUMN more INTEGER",))
    monkeypatch.setattr(opening, "MIGRATIONS", (*MIGRATIONS, step))
    told = page(archive.root)
    assert (told["exit"], told["frames"], told["pages_written"]) == (0, 3, 0)


@pytest.mark.volume
def test_an_index_from_before_that_cannot_be_written_is_made_for_one_run(
    archive: SmallArchive, read_only_disk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    step = Migration("one more", ("ALTER TABLE files ADD COLUMN more INTEGER",))
    monkeypatch.setattr(opening, "MIGRATIONS", (*MIGRATIONS, step))
    told = page(read_only_disk, "--out", tmp_path / "out")
    assert (told["exit"], told["frames"]) == (0, 3)
    assert any(
        note.endswith("The index was made for this run alone: what it says is right.")
        for note in told["notes"]
    )
    assert not any("\n" in note for note in told["notes"])
