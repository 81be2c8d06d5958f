"""`nightferry page`: what is written, what is kept, and what it says when it cannot."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

from manifests.bags.paths import PAGE_FOLDER
from tests.support.desks import NOON, fingerprint
from tests.support.pages_read import PageRead, page, pages_of
from tests.support.small_archive import SmallArchive
from tests.support.systems import need_signals
from transfer.archive.mark import MARK_NAME, mark_text, new_mark
from transfer.cli.main import main
from transfer.page.writing import START

POSITION = {"RA": 23.462, "DEC": 30.66}
SCRIPT = "<script>alert(1)</script>"
HOSTILE = [
    "<img src=x onerror=alert(1)>",
    '"><b>bold',
    "x" * 1000,
    "a & b",
    "Ünicode ✓",
    "{{ 7 * 7 }}",
]


@pytest.fixture
def archive(tmp_path: Path) -> SmallArchive:
    """Return an archive of two targets and two nights, with calibration frames for one filter."""
    made = SmallArchive(tmp_path / "archive")
    made.whole_set()
    for number in range(3):
        made.light(f"Ha {number}.fits", **{"DATE-OBS": f"2026-03-14T2{number}:00:00", **POSITION})
    made.light("O 1.fits", filter_name="OIII", night=date(2026, 3, 15), **{"DATE-OBS": "2026-03-15T22:00:00"})
    made.light("n 1.fits", target="NGC 7331", **{"DATE-OBS": "2026-03-14T23:30:00"})
    return made


def test_it_says_what_it_made(archive: SmallArchive) -> None:
    told = page(archive.root)
    start = archive.root / PAGE_FOLDER / "index.html"
    assert {key: told[key] for key in ("exit", "page", "pages", "frames")} == {
        "exit": 0,
        "page": str(start),
        "pages": 5,
        "frames": 5,
    }
    assert (told["thumbnails_made"], told["thumbnails_kept"]) == (5, 0)
    assert {path.name for path in start.parent.iterdir()} == {
        "index.html",
        "look",
        "nights",
        "pictures",
        "targets",
    }


def test_a_second_run_writes_nothing(archive: SmallArchive) -> None:
    page(archive.root)
    before = fingerprint(archive.root)
    told = page(archive.root)
    assert (told["thumbnails_made"], told["thumbnails_kept"], told["pages_written"]) == (0, 5, 0)
    assert fingerprint(archive.root) == before


def test_a_new_night_writes_what_it_changes(archive: SmallArchive) -> None:
    page(archive.root)
    folder = archive.root / PAGE_FOLDER
    before = fingerprint(folder)
    archive.light(
        "later.fits", target="NGC 7331", night=date(2026, 4, 1), **{"DATE-OBS": "2026-04-01T22:00:00"}
    )
    assert page(archive.root)["thumbnails_made"] == 1
    after = fingerprint(folder)
    changed = {name for name in after if before.get(name) != after[name] and not name.startswith("pictures/")}
    assert {name.partition("-")[0] if "targets" in name else name for name in changed} == {
        "index.html",
        "nights/2026-03-15.html",  # it leads to the night after it
        "nights/2026-04-01.html",
        "targets/ngc",
    }


def test_no_bag_is_written_to_and_the_index_stays_what_it_was(archive: SmallArchive) -> None:
    CliRunner().invoke(main, ["targets", "--archive", str(archive.root)])
    before = fingerprint(archive.root)
    page(archive.root)
    after = {name: facts for name, facts in fingerprint(archive.root).items() if PAGE_FOLDER not in name}
    assert after == before


def test_every_link_leads_to_a_file(archive: SmallArchive) -> None:
    archive.light('it\'s 100 % "ü" #1?.fits', **{"DATE-OBS": "2026-03-14T23:59:00"})
    page(archive.root)
    for read in pages_of(archive.root / PAGE_FOLDER):
        for link in (*read.links, *read.sources):
            assert read.target_of(link).exists(), (read.path, link)
        for source in read.sources:
            assert read.target_of(source).is_relative_to(archive.root / PAGE_FOLDER)


def test_pages_elsewhere_lead_to_the_archives_files(archive: SmallArchive, tmp_path: Path) -> None:
    page(archive.root, "--out", tmp_path / "else where")
    assert not (archive.root / PAGE_FOLDER).exists()
    (target,) = (tmp_path / "else where" / "targets").glob("m-33*")
    files = [tag["data-file"] for name, tag in PageRead(target).tags if name == "a" and "data-file" in tag]
    assert len(files) == 4
    assert all(
        file is not None and file.startswith(f"{archive.root.as_uri()}/M%2033/data/") for file in files
    )


def test_a_page_names_no_other_host(archive: SmallArchive) -> None:
    page(archive.root)
    for path in (archive.root / PAGE_FOLDER).rglob("*"):
        if path.suffix in (".html", ".css", ".js", ".svg"):
            text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
            assert "http:" not in text
            assert "https:" not in text
            assert "//" not in text.replace("// ", "") or path.suffix != ".html"


def test_style_and_script_are_light(archive: SmallArchive) -> None:
    page(archive.root)
    assert sum(path.stat().st_size for path in (archive.root / PAGE_FOLDER / "look").iterdir()) < 60_000


@pytest.fixture(scope="module")
def plain_tags(tmp_path_factory: pytest.TempPathFactory) -> list[list[str]]:
    """Return the tags of each page of an archive of one frame with a plain name."""
    plain = SmallArchive(tmp_path_factory.mktemp("plain") / "archive")
    plain.light("a.fits", target="M 33", filter_name="Ha")
    return tags_of(plain)


def tags_of(archive: SmallArchive) -> list[list[str]]:
    assert page(archive.root)["exit"] == 0
    return [[tag for tag, _ in read.tags] for read in pages_of(archive.root / PAGE_FOLDER)]


@pytest.mark.parametrize("name", [SCRIPT, *HOSTILE])
def test_what_a_header_says_is_shown_as_text(name: str, plain_tags: list[list[str]], tmp_path: Path) -> None:
    """Against Python's own parser of HTML: a name adds no tag to any page, and is there to be read."""
    hostile = SmallArchive(tmp_path / "hostile")
    written = name.encode("ascii", "ignore").decode()[:60]  # a header's card has no more room
    hostile.light("a.fits", target="M 33", filter_name="Ha", OBSERVER=written)
    rewrite_names(hostile, name)
    assert tags_of(hostile) == plain_tags
    (target,) = (hostile.root / PAGE_FOLDER / "targets").iterdir()
    assert name in PageRead(target).text
    for _, attributes in PageRead(target).tags:
        assert not any(attribute.startswith("on") for attribute in attributes)


def rewrite_names(archive: SmallArchive, name: str) -> None:
    """Give the entries of an archive a target and a filter that no filing would."""
    for bag, entries in archive.entries.items():
        archive.entries[bag] = [replace(one, target=name, filter=name) for one in entries]
        archive.write_lists(bag)


def test_an_empty_archive_says_what_to_do(tmp_path: Path) -> None:
    archive = SmallArchive(tmp_path / "archive")
    told = page(archive.root)
    assert (told["exit"], told["pages"], told["frames"]) == (0, 1, 0)
    assert "nightferry file" in PageRead(Path(told["page"])).text


def test_nights_without_lights_say_so_in_the_place_of_targets(tmp_path: Path) -> None:
    folder, root = tmp_path / "logs", tmp_path / "archive"
    folder.mkdir()
    root.mkdir()
    (folder / "mount.log").write_text("parked")
    config = tmp_path / "nightferry.toml"
    config.write_text("[archive]\nfolder = 'archive'\n[records]\nfolder = 'records'\n")
    filed = CliRunner().invoke(main, ["file", str(folder), "--config", str(config)])
    assert filed.exit_code == 0, filed.output
    assert "No light has been filed yet." in PageRead(Path(page(root)["page"])).text


def test_a_folder_that_is_no_archive_is_said(tmp_path: Path) -> None:
    told = page(tmp_path)
    assert told["exit"] == 3
    assert told["page"] is None
    assert not (tmp_path / PAGE_FOLDER).exists()


def test_where_no_page_can_be_beside_the_index_another_folder_is_asked_for(
    archive: SmallArchive, tmp_path: Path
) -> None:
    (archive.root / PAGE_FOLDER).write_bytes(b"in the way")
    told = page(archive.root)
    assert told["exit"] == 1
    assert "cannot be written beside the archive's index" in told["message"]
    assert "--out FOLDER" in told["message"]
    assert page(archive.root, "--out", tmp_path / "out")["exit"] == 0


def test_without_the_optional_group_it_says_how_to_install_it(
    archive: SmallArchive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "jinja2", None)
    told = page(archive.root)
    assert told["exit"] == 2
    assert "nightferry[page]" in told["message"]
    assert not (archive.root / PAGE_FOLDER).exists()


def test_a_frame_that_cannot_be_read_is_named_and_has_a_card(archive: SmallArchive) -> None:
    (archive.root / "M 33/data/2026-03-14/Ha/Ha 1.fits").unlink()
    told = page(archive.root)
    assert (told["exit"], told["thumbnails_made"], told["frames"]) == (1, 4, 5)
    assert "1 could not be made now" in told["message"]
    assert told["findings"] == [
        {
            "path": "M 33/data/2026-03-14/Ha/Ha 1.fits",
            "finding": "unreadable",
            "detail": "No such file or directory",
        }
    ]
    (target,) = (archive.root / PAGE_FOLDER / "targets").glob("m-33*")
    assert PageRead(target).text.count("no picture") == 1


def test_frames_without_a_target_or_a_time_have_their_place(archive: SmallArchive) -> None:
    archive._file(
        "nights/2026-03-14", "frames/a.fits", date(2026, 3, 14), IMAGETYP=None, **{"DATE-OBS": None}
    )
    page(archive.root)
    (found,) = (archive.root / PAGE_FOLDER / "targets").glob("no-target*")
    assert "no time" in PageRead(found).text


def test_what_needs_attention_is_on_the_start(archive: SmallArchive) -> None:
    page(archive.root)
    shutil.move(archive.root / "NGC 7331", archive.root.parent / "away")
    told = page(archive.root)
    text = " ".join(PageRead(Path(told["page"])).text.split())
    assert "NGC 7331 is not there, with 1 file" in text
    assert "M 33: no flat frames fit some of its lights" in text
    assert "no reading is kept" in text


def test_nights_in_one_place_only_are_said_where_the_configuration_names_the_archive(
    archive: SmallArchive, tmp_path: Path
) -> None:
    mark = mark_text(new_mark("archive", NOON))
    (archive.root / MARK_NAME).write_text(mark, encoding="utf-8")
    config = tmp_path / "nightferry.toml"
    folders = f"[archive]\nfolder = '{archive.root}'\n[records]\nfolder = '{tmp_path / 'records'}'\n"
    config.write_text(folders, encoding="utf-8")
    result = CliRunner().invoke(main, ["page", "--config", str(config), "--json"])
    text = " ".join(PageRead(Path(json.loads(result.stdout)["page"])).text.split())
    assert "In one place only" in text
    told = re.findall(
        r"(\d+) files? in archive alone", text
    )  # drives may be connected that have other nights
    assert sum(map(int, told)) == 13
    assert reached_from(archive.root / PAGE_FOLDER / START)
    page(archive.root)  # no configuration is at hand: nobody knows
    assert "In one place only" not in PageRead(archive.root / PAGE_FOLDER / START).text


def test_frames_that_are_not_in_use_are_shown_as_such(archive: SmallArchive) -> None:
    bag = archive.root / "M 33"
    archive.entries[bag] = [replace(one, in_use="Ha 1" not in one.path) for one in archive.entries[bag]]
    archive.write_lists(bag)
    page(archive.root)
    (target,) = (archive.root / PAGE_FOLDER / "targets").glob("m-33*")
    text = " ".join(PageRead(target).text.split())
    assert text.count("not in use") == 2  # in the sum, and at the frame
    assert "2 lights" in text


def test_a_target_with_thousands_of_frames_has_several_light_pages(tmp_path: Path) -> None:
    archive = SmallArchive(tmp_path / "archive")
    for number in range(3):
        archive.light(f"{number}.fits")
    (bag,) = archive.entries
    archive.entries[bag] = [
        replace(one, path=f"{one.path}.{copy}.fits") for copy in range(700) for one in archive.entries[bag]
    ]
    archive.write_lists(bag)
    told = page(archive.root)
    parts = sorted((archive.root / PAGE_FOLDER / "targets").iterdir())
    assert len(parts) == 3
    assert told["frames"] == 2100
    cards = [
        sum(tag == "li" and "frame" in (known.get("class") or "") for tag, known in PageRead(path).tags)
        for path in parts
    ]
    assert sum(cards) == 2100
    for read in pages_of(archive.root / PAGE_FOLDER):
        assert read.path.stat().st_size < 2_000_000
        for link in read.links:
            if not link.endswith(".fits"):  # the copies have no files
                assert read.target_of(link).exists(), link


@need_signals
def test_a_run_that_is_killed_leaves_a_page_whose_links_all_lead_somewhere(archive: SmallArchive) -> None:
    """Killed at moments spread over a run; whatever is there then is whole, and the next run completes it."""
    command = [sys.executable, "-m", "transfer", "page", "--archive", str(archive.root)]
    page(archive.root)
    archive.light("later.fits", target="M 31", night=date(2026, 4, 1), **{"DATE-OBS": "2026-04-01T22:00:00"})
    folder = archive.root / PAGE_FOLDER
    pages = {path.relative_to(folder) for path in folder.rglob("*.html")}
    program = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    while program.poll() is None:
        if {path.relative_to(folder) for path in folder.rglob("*.html")} != pages:
            os.kill(program.pid, signal.SIGKILL)
            break
        time.sleep(0.001)
    program.wait()
    assert START in reached_from(folder / START)
    page(archive.root)
    assert page(archive.root)["pages_written"] == 0


def reached_from(start: Path) -> set[str]:
    """Return the names of all pages that the start leads to; each link leads to a file."""
    seen, pending = {start}, [start]
    while pending:
        read = PageRead(pending.pop())
        for link in (*read.links, *read.sources):
            target = read.target_of(link)
            assert target.exists(), (read.path, link)
            if target.suffix == ".html" and target not in seen:
                seen.add(target)
                pending.append(target)
    return {path.relative_to(start.parent).as_posix() for path in seen}
