"""Frames amended by a person's word: kept, moved with their proof, counted everywhere, undone."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from manifests.bags.corrections import CORRECTION, Words
from manifests.bags.paths import TAG_MANIFEST, said_in
from manifests.bags.statements import read_statements
from manifests.findings import FindingKind
from manifests.frames.frame import FrameType
from manifests.index.frame_query import FrameQuery
from manifests.index.frames import total
from manifests.index.opening import open_index
from manifests.index.targets import targets
from tests.support.desks import Desk
from tests.support.dying import died
from tests.support.nights import Computer, noise, prepared
from tests.support.systems import need_fork
from transfer.archive.moving import MOVES_NAME
from transfer.engine.medium import Medium, this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import Busy, ConfigurationError, DoesNotFit, NotThere
from transfer.jobs.amend.choosing import Choice
from transfer.jobs.amend.outcome import AmendOutcome, State
from transfer.jobs.amend.run import AmendRequest, AmendRun
from transfer.jobs.index import build_index
from transfer.stop import Stop

MORNING = datetime(2026, 3, 16, 9, tzinfo=UTC)
M51 = "M 51/data/2026-03-14/Ha"
M101 = "M 101/data/2026-03-14/Ha"


def amend(
    desk: Desk,
    *paths: str,
    query: FrameQuery | None = None,
    dry_run: bool = False,
    medium: Medium | None = None,
    stop: Stop | None = None,
    at: datetime = MORNING,
    **said: Any,
) -> AmendOutcome:
    around = Surroundings(
        medium or this_computer(), Records(desk.root / "records"), stop or Stop(), clock=lambda: at
    )
    choice = Choice(tuple(desk.archive / path for path in paths), query)
    return AmendRun(
        desk.archive, desk.config(), AmendRequest(Words(**said), choice, dry_run, 0.0), around
    ).run()


def places(desk: Desk) -> list[str]:
    """Return where the frames lie, by disk and by list: both must agree."""
    desk.assert_all_valid()
    return sorted(desk.files())


def frames_listed(desk: Desk, **asked: Any) -> list[tuple[str | None, str | None, str]]:
    with open_index(desk.archive / "index.sqlite") as index:
        from manifests.index.frames import frames

        return [
            (row.target, row.filter, f"{row.bag}/{row.path}") for row in frames(index, FrameQuery(**asked))
        ]


def said(desk: Desk, bag: str) -> list[dict[str, Any]]:
    found = read_statements(desk.archive / bag, CORRECTION).statements
    return [dict(each.facts) for each in found]


def test_a_frame_of_another_target_moves_there_and_counts_there(filed: Desk):
    before = (filed.archive / f"{M51}/light_2.fits").read_bytes()
    outcome = amend(filed, f"{M51}/light_2.fits", target="m101", because="the mount lost its way")
    assert outcome.exit_code == 0
    assert outcome.message.startswith("1 frame amended; 1 of them moved, ")
    (moved,) = outcome.moved
    assert (moved.path, moved.to) == (f"{M51}/light_2.fits", f"{M101}/light_2.fits")
    assert (filed.archive / f"{M101}/light_2.fits").read_bytes() == before
    assert f"{M51}/light_2.fits" not in places(filed)
    assert ("M 101", "Ha", f"{M101}/light_2.fits") in frames_listed(filed)
    with open_index(filed.archive / "index.sqlite") as index:
        assert {row.target: row.frames for row in targets(index)} == {"M 101": 1, "M 51": 3}
    assert not (filed.archive / MOVES_NAME).exists()


def test_what_was_said_is_kept_in_the_frames_bag_with_what_was_before(filed: Desk):
    amend(filed, f"{M51}/light_2.fits", target="m101", because=" the mount\nlost its way")
    (kept,) = said(filed, "M 101")
    assert (kept["target"], kept["because"]) == ("m101", "the mount lost its way")
    was = {"path": f"{M51}/light_2.fits", "target": "M 51", "filter": "Ha", "night": "2026-03-14"}
    assert kept["was"] == {**was, "type": "Light Frame"}
    assert said_in(CORRECTION) in (filed.archive / "M 101" / TAG_MANIFEST).read_text()
    entry = filed.entry(f"{M101}/light_2.fits")
    (finding,) = (each for each in entry.findings if each.kind is FindingKind.AMENDED)
    assert finding.detail == "target m101: the mount lost its way"


def test_the_story_of_a_frame_goes_along_from_bag_to_bag(filed: Desk):
    amend(filed, f"{M51}/light_2.fits", target="M 101")
    amend(filed, f"{M101}/light_2.fits", target="M 33", filter="OIII", at=MORNING.replace(hour=10))
    assert [each.get("target") for each in said(filed, "M 33")] == ["M 101", "M 33"]
    assert "M 33/data/2026-03-14/OIII/light_2.fits" in places(filed)
    back = amend(filed, "M 33", as_headers_say=True, at=MORNING.replace(hour=11))
    assert [frame.to for frame in back.moved] == [f"{M51}/light_2.fits"]
    assert len(said(filed, "M 51")) == 3


def test_as_headers_say_undoes_all_of_it(filed: Desk):
    path = f"{M51}/light_2.fits"
    before = filed.entry(path)
    amend(filed, path, target="M 101", filter="L", night=date(2026, 3, 9), in_use=False, because="all wrong")
    (moved,) = amend(filed, "M 101", as_headers_say=True, at=MORNING.replace(hour=10)).moved
    assert moved.to == path
    after = filed.entry(path)
    assert replace(after, read_back=before.read_back) == before
    assert places(filed) == sorted(filed.files())


def test_a_night_that_the_headers_time_cannot_be_of_leaves_the_time_out(filed: Desk):
    amend(filed, f"{M51}/light_1.fits", night=date(2026, 3, 9))
    entry = filed.entry("M 51/data/2026-03-09/Ha/light_1.fits")
    assert entry.night == date(2026, 3, 9)
    assert entry.frame is not None
    assert entry.frame.begun_utc is None
    amend(filed, f"{M51}/light_2.fits", night=date(2026, 3, 13))
    near = filed.entry("M 51/data/2026-03-13/Ha/light_2.fits")
    assert near.frame is not None
    assert near.frame.begun_utc is not None


def test_another_type_takes_a_frame_to_its_kind(filed: Desk):
    odd = "nights/2026-03-14/data/frames/odd.fits"
    assert FindingKind.NO_TYPE in {each.kind for each in filed.entry(odd).findings}
    amend(filed, odd, frame_type="light")
    entry = filed.entry(f"{M51}/odd.fits")
    assert entry.target == "M 51"
    assert FindingKind.NO_TYPE not in {each.kind for each in entry.findings}
    amend(filed, f"{M51}/odd.fits", frame_type="master dark")
    assert "calibration/data/camera not given/master dark/2026-03-14/odd.fits" in places(filed)
    assert frames_listed(filed, frame_types=(FrameType.DARK,))[-1][0] is None


def test_a_frame_that_is_not_in_use_stays_where_it_is_and_counts_no_more(filed: Desk):
    path = f"{M51}/light_3.fits"
    facts = (filed.archive / path).stat()
    outcome = amend(filed, path, in_use=False, because="trailed stars")
    assert (outcome.exit_code, len(outcome.done), len(outcome.moved)) == (0, 1, 0)
    assert (filed.archive / path).stat() == facts
    places(filed)
    with open_index(filed.archive / "index.sqlite") as index:
        found = total(index, FrameQuery(targets=("M 51",), frame_types=(FrameType.LIGHT,)))
    assert (found.frames, found.exposure_s) == (3, 1200.0)
    amend(filed, path, in_use=True, at=MORNING.replace(hour=10))
    entry = filed.entry(path)
    assert entry.in_use
    assert not entry.is_amended


def test_a_new_index_says_what_was_amended(filed: Desk):
    amend(filed, f"{M51}/light_2.fits", target="M 101")
    amend(filed, f"{M51}/light_3.fits", in_use=False)
    listed = frames_listed(filed)
    (filed.archive / "index.sqlite").unlink()
    build_index(filed.archive)
    assert frames_listed(filed) == listed
    with open_index(filed.archive / "index.sqlite") as index:
        assert {row.target: (row.frames, row.not_in_use) for row in targets(index)} == {
            "M 101": (1, 0),
            "M 51": (2, 1),
        }


def test_frames_are_chosen_by_the_same_questions_as_lists(filed: Desk):
    query = FrameQuery(targets=("M 51",), frame_types=(FrameType.LIGHT,))
    outcome = amend(filed, query=query, target="M 101")
    assert len(outcome.moved) == 3
    assert not list((filed.archive / "M 51/data").iterdir())


def test_a_dry_run_writes_nothing_and_says_where_all_would_go(filed: Desk):
    before = filed.fingerprint()
    outcome = amend(filed, "M 51", target="M 101", dry_run=True)
    assert filed.fingerprint() == before
    assert [(frame.state, frame.to) for frame in outcome.frames] == [
        (State.WOULD_BE, f"{M101}/light_{number}.fits") for number in (1, 2, 3)
    ]
    assert outcome.message == "Nothing was written; 3 frames would be amended; 3 of them would move."


def test_what_is_as_it_was_is_left_alone(filed: Desk):
    before = filed.fingerprint()
    outcome = amend(filed, M51, as_headers_say=True)
    assert {frame.state for frame in outcome.frames} == {State.AS_IT_WAS}
    assert filed.fingerprint() == before


@pytest.mark.parametrize(
    ("path", "words", "why"),
    [
        ("calibration", {"target": "M 101"}, "a dark has no target"),
        ("calibration", {"filter": "Ha"}, "a dark has no filter"),
        ("nights/2026-03-14/data/frames/odd.fits", {"target": "M 101"}, "its type is not known"),
        ("M 51/data/nothing.fits", {"target": "M 101"}, "no bag of the archive lists it"),
        ("../elsewhere.fits", {"target": "M 101"}, "is not in the archive"),
    ],
)
def test_what_makes_no_sense_of_a_frame_is_refused_and_said(filed: Desk, path: str, words: Any, why: str):
    before = filed.fingerprint()
    outcome = amend(filed, path, **words)
    assert outcome.exit_code == 1
    assert why in outcome.refused[0].detail
    assert filed.fingerprint() == before


@pytest.mark.parametrize("name", ["", "  ", "\x07\n", "x" * 1001])
def test_a_name_that_is_none_is_refused(filed: Desk, name: str):
    with pytest.raises(ConfigurationError, match="no name"):
        amend(filed, M51, target=name)


@pytest.mark.parametrize(
    "name",
    [
        "../../evil",
        "/etc",
        "CON",
        "calibration",
        "nights",
        "nightferry-moves.jsonl",
        "data",
        "a:b",
        "~",
        ". .",
        "é" * 300,
    ],
)
def test_no_name_of_a_target_leads_out_of_the_archive(filed: Desk, tmp_path: Path, name: str):
    amend(filed, M51, as_headers_say=True)  # which makes the folder of records
    around = sorted(path.name for path in filed.root.iterdir())
    outcome = amend(filed, f"{M51}/light_1.fits", target=name)
    assert outcome.exit_code == 0
    (moved,) = outcome.moved
    assert (filed.archive / moved.to).is_file()
    assert sorted(path.name for path in filed.root.iterdir()) == around
    assert len(places(filed)) == 6
    (back,) = amend(filed, moved.to, as_headers_say=True, at=MORNING.replace(hour=10)).moved
    assert back.to == f"{M51}/light_1.fits"


def test_an_amended_frame_that_is_filed_again_stays_where_it_is(filed: Desk, tmp_path: Path):
    amend(filed, f"{M51}/light_2.fits", target="M 101")
    amend(filed, "nights/2026-03-14/data/frames/odd.fits", frame_type="light", target="M 33")
    before = places(filed)
    again = filed.file(tmp_path / "stick")
    assert (again.filed, again.already_there) == (0, 6)
    assert again.deliveries[0].acknowledged
    assert places(filed) == before


def test_an_amended_frame_that_was_damaged_is_filed_anew_as_it_was_amended(filed: Desk, tmp_path: Path):
    amend(filed, f"{M51}/light_2.fits", target="M 101", because="the mount")
    path = filed.archive / f"{M101}/light_2.fits"
    entry = filed.entry(f"{M101}/light_2.fits")
    path.write_bytes(b"spoilt")
    assert filed.file(tmp_path / "stick").filed == 1
    again = filed.entry(f"{M101}/light_2.fits")
    assert (again.target, again.frame, again.findings) == (entry.target, entry.frame, entry.findings)
    assert len(places(filed)) == 6


def test_an_acknowledgement_of_a_frame_that_moved_is_taken_back_once_it_is_damaged(
    filed: Desk, tmp_path: Path
):
    amend(filed, f"{M51}/light_2.fits", target="M 101")
    (filed.archive / f"{M101}/light_2.fits").write_bytes(b"spoilt")
    stick = next((tmp_path / "stick").glob("*/data/frames/light_2.fits"))
    content = stick.read_bytes()
    stick.write_bytes(content[:-1] + b"!")
    again = filed.file(tmp_path / "stick")
    assert again.exit_code == 1
    assert not list((tmp_path / "stick").glob("*/nightferry/acknowledgement-*"))


def test_the_same_name_at_the_new_place_gets_a_number(filed: Desk):
    amend(filed, f"{M51}/light_2.fits", target="M 101")
    (filed.archive / f"{M51}/light_2.fits").write_bytes(b"a person's own file")
    moved = amend(filed, f"{M51}/light_3.fits", target="M 101").moved
    assert [frame.to for frame in moved] == [f"{M101}/light_3.fits"]
    assert (filed.archive / f"{M51}/light_2.fits").read_bytes() == b"a person's own file"


def test_a_frame_that_is_not_what_its_bag_lists_stays_and_is_named(filed: Desk):
    path = filed.archive / f"{M51}/light_2.fits"
    content = bytearray(path.read_bytes())
    content[-1] ^= 1
    path.write_bytes(content)
    outcome = amend(filed, "M 51", target="M 101")
    assert outcome.exit_code == 1
    assert [finding.kind for finding in outcome.refused] == [FindingKind.CHANGED]
    assert len(outcome.moved) == 2
    assert path.read_bytes() == content


def test_the_bag_that_a_person_gave_another_folder_is_still_the_targets(filed: Desk):
    (filed.archive / "M 51").rename(filed.archive / "Whirlpool")
    outcome = amend(filed, "Whirlpool", as_headers_say=True)
    assert {frame.state for frame in outcome.frames} == {State.AS_IT_WAS}


def test_a_run_that_was_asked_to_end_says_so(filed: Desk):
    stop = Stop()
    stop.ask("interrupted")
    outcome = amend(filed, "M 51", target="M 101", stop=stop)
    assert (outcome.exit_code, len(outcome.moved)) == (6, 0)
    assert "Ended early" in outcome.message


def test_two_at_once_wait_for_each_other(filed: Desk):
    lock = this_computer().lock(filed.archive / "nightferry-archive.toml")
    assert lock is not None
    try:
        with pytest.raises(Busy):
            amend(filed, "M 51", target="M 101")
    finally:
        os.close(lock)


def test_a_folder_without_an_archive_is_named(filed: Desk):
    (filed.archive / "nightferry-archive.toml").unlink()
    with pytest.raises(NotThere):
        amend(filed, "M 51", target="M 101")


def contents(desk: Desk) -> list[bytes]:
    return sorted(desk.files().values())


@need_fork
def test_a_run_that_is_killed_anywhere_loses_nothing_and_the_next_one_ends_it(filed: Desk, tmp_path: Path):
    whole, shelf = contents(filed), tmp_path / "as filed"
    shutil.copytree(filed.archive, shelf)
    lights = FrameQuery(targets=("M 51", "M 101"), frame_types=(FrameType.LIGHT,))
    acts, step = 0, 11
    while True:
        acts += step
        shutil.rmtree(filed.archive)
        shutil.copytree(shelf, filed.archive)
        killed = died(
            lambda medium: amend(filed, "M 51", target="M 101", because="all of it", medium=medium), acts
        )
        assert set(contents(filed)) >= set(whole)
        again = amend(filed, query=lights, target="M 101")
        assert again.exit_code == 0
        assert contents(filed) == whole
        assert [path for path in places(filed) if path.startswith("M ")] == [
            f"{M101}/light_{number}.fits" for number in (1, 2, 3)
        ]
        assert not (filed.archive / MOVES_NAME).exists()
        if not killed:
            break
    assert acts > 100


def on_a_full_disk(desk: Desk, drive: Path) -> Desk:
    """Return a desk whose archive is a copy of another's, on a disk with a megabyte left."""
    there = Desk(desk.root / "small", archive_at=drive / "archive")
    shutil.copytree(desk.archive, there.archive, dirs_exist_ok=True)
    with (drive / "filler").open("wb", buffering=0) as filler:
        with contextlib.suppress(OSError):
            while filler.write(bytes(4096)):
                pass
        filler.truncate(filler.tell() - (1 << 20))
    return there


@pytest.mark.parametrize("words", [{"target": "M 101"}, {"in_use": False}])
def test_a_disk_that_is_nearly_full_is_left_as_it_is(filed: Desk, volumes: Any, words: Any):
    with volumes("ext4", size_mb=16) as drive:
        full = on_a_full_disk(filed, drive.path)
        before = full.fingerprint()
        with pytest.raises(DoesNotFit, match="Make room"):
            amend(full, "M 51", **words)
        assert full.fingerprint() == before


def test_a_disk_without_room_for_second_copies_keeps_every_frame_where_it_is(
    filed: Desk, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("transfer.archive.moving._EACH_FILE_BYTES", 1 << 60)
    before = places(filed)
    outcome = amend(filed, "M 51", target="M 101")
    assert (outcome.exit_code, len(outcome.done)) == (4, 0)
    assert "to be copied" in outcome.message
    assert places(filed) == before


def test_an_archive_that_may_only_be_read_is_told_and_left_as_it_is(filed: Desk, volumes: Any):
    with volumes("ext4", size_mb=64) as drive:
        there = Desk(filed.root / "small", archive_at=drive.path / "archive")
        shutil.copytree(filed.archive, there.archive, dirs_exist_ok=True)
        subprocess.run(["mount", "-o", "remount,ro", drive.path], check=True)
        before = there.fingerprint()
        outcome = amend(there, "M 51", target="M 101")
        assert (outcome.exit_code, len(outcome.done)) == (1, 0)
        assert "cannot be written to" in outcome.message
        assert amend(there, "M 51", target="M 101", dry_run=True).exit_code == 0
        assert there.fingerprint() == before


def test_the_last_link_of_a_gathered_frame_stays_as_it_was(filed: Desk):
    into = filed.root / "processing"
    ran = filed.command("gather", "M 51", "--into", into)
    laid_out = {path: path.read_bytes() for path in into.rglob("*.fits")}
    assert len(laid_out) == 3, ran.err
    amend(filed, f"{M51}/light_2.fits", target="M 101")
    assert {path: path.read_bytes() for path in laid_out} == laid_out
    again = filed.command("gather", "M 51", "--into", into, "--json").document
    assert (again["exit"], {path: path.read_bytes() for path in laid_out}) == (1, laid_out), again["message"]
    assert len(list(into.rglob("*.fits"))) == 3


def test_moves_that_somebody_made_up_move_nothing(filed: Desk):
    light = f"{M51}/light_2.fits"
    sha256 = filed.entry(light).digests.sha256
    path, other = light[5:], f"{light[5:-6]}1.fits"
    made_up: list[Any] = [
        {"bag": bag, "path": at, "to_bag": to_bag, "to_path": to, "sha256": sha256}
        for bag, at, to_bag, to in (
            ("M 51", path, "M 51", path),
            ("M 51", path, "M 51", other),
            ("M 51", path, "../M 51", path),
            ("M 51", "../../desk/nightferry.toml", "M 51", path),
            ("nowhere", "data/x", "M 51", path),
        )
    ]
    made_up += [{"bag": 1}, []]
    (filed.archive / MOVES_NAME).write_text("\n".join(map(json.dumps, made_up)) + "\n{")
    before = places(filed)
    amend(filed, f"{M51}/light_1.fits", in_use=False)
    assert places(filed) == before
    assert not (filed.archive / MOVES_NAME).exists()


def test_an_image_without_a_header_goes_where_it_is_said_and_stays_there(filed: Desk, tmp_path: Path):
    computer = Computer(tmp_path / "camera")
    computer.frame("raw_1.cr2", noise(4000, 9))
    stick = prepared(tmp_path / "card", "Card")
    computer.send(stick)
    filed.file(stick)
    (image,) = (path for path in filed.files() if path.endswith("raw_1.cr2"))
    assert "its type is not known" in amend(filed, image, target="M 101").refused[0].detail
    (moved,) = amend(filed, image, frame_type="light", target="M 101", filter="L").moved
    assert moved.to == "M 101/data/2026-03-14/L/raw_1.cr2"
    before = places(filed)
    assert filed.file(stick).filed == 0
    assert places(filed) == before


def test_a_frame_that_was_put_into_another_bag_by_hand_goes_back_where_its_header_says(filed: Desk):
    light, away = f"{M51}/light_2.fits", "nights/2026-03-14/data/2026-03-14/Ha/light_2.fits"
    (filed.archive / away).parent.mkdir(parents=True)
    (filed.archive / light).rename(filed.archive / away)
    assert [frame.to for frame in amend(filed, light, gone=True).frames] == [away]
    (back,) = amend(filed, away, as_headers_say=True, at=MORNING.replace(hour=10)).moved
    assert back.to == light
    assert len(places(filed)) == 6
