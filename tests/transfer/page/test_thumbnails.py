"""Thumbnails: made once, kept by digest, gone on with after a run that ended."""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

import pytest

from tests.support.small_archive import frame_bytes
from transfer.events import BytesDone, Event, PhaseBegan
from transfer.page.thumbnails import (
    HEADER,
    PICTURE,
    KeptThumbnails,
    ThumbnailsMade,
    Wanted,
    make_thumbnails,
    place_of,
)
from transfer.stop import Stop


def frame(bag: Path, name: str) -> Wanted:
    """Write a frame and return it."""
    bag.mkdir(exist_ok=True)
    content = frame_bytes(name)
    (bag / name).write_bytes(content)
    return Wanted(hashlib.sha256(content).hexdigest(), bag, name, len(content))


def made(wanted: list[Wanted], folder: Path, stop: Stop | None = None) -> ThumbnailsMade:
    return make_thumbnails(wanted, folder, stop or Stop(), lambda _: None, 2)


@pytest.fixture
def wanted(tmp_path: Path) -> list[Wanted]:
    return [frame(tmp_path / "bag", f"{number}.fits") for number in range(7)]


def test_thumbnails_are_made_once(wanted: list[Wanted], tmp_path: Path) -> None:
    assert made(wanted, tmp_path / "page") == ThumbnailsMade(7, 0)
    for one in wanted:
        assert (tmp_path / "page" / place_of(one.digest, PICTURE)).stat().st_size
        assert (tmp_path / "page" / place_of(one.digest, HEADER)).stat().st_size
    assert made(wanted, tmp_path / "page") == ThumbnailsMade(0, 7)


def test_many_are_made_by_several_processes(tmp_path: Path) -> None:
    many = [frame(tmp_path / "bag", f"{number}.fits") for number in range(30)]
    (tmp_path / "bag" / "4.fits").unlink()
    told: list[Event] = []
    outcome = make_thumbnails(many, tmp_path / "page", Stop(), told.append, 2)
    assert outcome == ThumbnailsMade(29, 0, left=((many[4], "No such file or directory"),))
    assert sum(event.size_bytes for event in told if isinstance(event, BytesDone)) == sum(
        one.size_bytes for one in many
    )
    assert sum(1 for one in many if KeptThumbnails(tmp_path / "page").has_picture(one.digest)) == 29


def test_equal_content_has_one_thumbnail(wanted: list[Wanted], tmp_path: Path) -> None:
    again = [*wanted, *(one._replace(path="elsewhere.fits") for one in wanted)]
    assert made(again, tmp_path / "page") == ThumbnailsMade(7, 0)


def test_what_a_power_cut_left_empty_is_made_again(wanted: list[Wanted], tmp_path: Path) -> None:
    made(wanted, tmp_path / "page")
    (tmp_path / "page" / place_of(wanted[2].digest, HEADER)).write_bytes(b"")
    assert made(wanted, tmp_path / "page") == ThumbnailsMade(1, 6)


def test_a_run_that_is_ended_keeps_what_it_made_and_the_next_goes_on(
    wanted: list[Wanted], tmp_path: Path
) -> None:
    stop = Stop()

    def listen(event: Event) -> None:
        if isinstance(event, BytesDone):
            stop.ask("a test")

    first = make_thumbnails(wanted, tmp_path / "page", stop, listen, 1)
    assert first.ended == "a test"
    assert 0 < first.made < 7
    second = made(wanted, tmp_path / "page")
    assert second.kept >= first.made
    assert second.kept + second.made == 7


def test_progress_counts_the_bytes_that_have_no_thumbnail_yet(wanted: list[Wanted], tmp_path: Path) -> None:
    made(wanted[:3], tmp_path / "page")
    told: list[Event] = []
    make_thumbnails(wanted, tmp_path / "page", Stop(), told.append, 2)
    (begun,) = [event for event in told if isinstance(event, PhaseBegan)]
    assert begun.total_bytes == sum(one.size_bytes for one in wanted[3:])
    assert begun.total_bytes == sum(event.size_bytes for event in told if isinstance(event, BytesDone))


def test_a_frame_that_cannot_be_read_now_is_tried_again(wanted: list[Wanted], tmp_path: Path) -> None:
    (tmp_path / "bag" / "3.fits").rename(tmp_path / "away")
    first = made(wanted, tmp_path / "page")
    assert first == ThumbnailsMade(6, 0, left=((wanted[3], "No such file or directory"),))
    (tmp_path / "away").rename(tmp_path / "bag" / "3.fits")
    assert made(wanted, tmp_path / "page") == ThumbnailsMade(1, 6)


def test_a_frame_that_ends_every_process_costs_only_its_own_picture(
    wanted: list[Wanted], tmp_path: Path
) -> None:
    """Whatever it does to a decoder; the next run tries it once more, as memory may have been short."""
    deadly = (
        "import os, transfer.page.worker as worker\nmake = worker.picture_of\n"
        "worker.picture_of = lambda bag, path: os.abort() if path == '3.fits' else make(bag, path)\n"
        "worker.main()"
    )
    outcome = make_thumbnails(
        wanted, tmp_path / "page", Stop(), lambda _: None, 2, (sys.executable, "-c", deadly)
    )
    assert outcome == ThumbnailsMade(6, 0, left=((wanted[3], "making its picture broke off"),))
    assert made(wanted, tmp_path / "page") == ThumbnailsMade(1, 6)


def test_a_frame_without_a_picture_is_not_tried_again(tmp_path: Path) -> None:
    one = frame(tmp_path / "bag", "a.fits")
    (tmp_path / "bag" / "a.fits").write_bytes(b"nothing that anybody could show")
    assert made([one], tmp_path / "page") == ThumbnailsMade(1, 0)
    assert made([one], tmp_path / "page") == ThumbnailsMade(0, 1)
    kept = KeptThumbnails(tmp_path / "page")
    assert kept.has(one.digest)
    assert not kept.has_picture(one.digest)


def test_a_link_out_of_the_bag_is_not_followed(wanted: list[Wanted], tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(frame_bytes("secret"))
    (tmp_path / "bag" / "link.fits").symlink_to(tmp_path / "secret")
    assert made([Wanted("ab" * 32, tmp_path / "bag", "link.fits", 1)], tmp_path / "page").made == 0


def test_a_disk_that_takes_no_more_ends_the_run(wanted: list[Wanted], tmp_path: Path) -> None:
    (tmp_path / "page").mkdir()
    (tmp_path / "page" / "pictures").write_bytes(b"in the way")
    with pytest.raises(OSError, match="pictures"):
        made(wanted, tmp_path / "page")
