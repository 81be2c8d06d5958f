"""Bags of other people, damaged bags, and hostile ones: what holds is filed, and what does not is named."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import bagit
import pytest

from manifests.findings import FindingKind
from tests.support.desks import Desk
from tests.support.nights import Computer, fits, noise
from tests.support.systems import need_every_name, need_links, need_renames
from transfer.archive.dating import Dating
from transfer.engine.medium import this_computer
from transfer.engine.medium.looking import Spelling
from transfer.jobs.file.bag_items import bag_delivery


def made_by_others(folder: Path, *algorithms: str, **files: bytes) -> Path:
    folder.mkdir(parents=True)
    for name, content in files.items():
        (folder / f"{name}.fits").write_bytes(content)
    bagit.make_bag(os.fspath(folder), checksums=list(algorithms))
    return folder


@pytest.mark.parametrize("algorithms", [("md5",), ("sha512",), ("sha256", "md5"), ("sha3_256",)])
def test_a_bag_of_any_algorithm_is_held_against_its_own_digests(
    tmp_path: Path, desk: Desk, algorithms: tuple[str, ...]
):
    content = fits(data=noise(200, 1))
    bag = made_by_others(tmp_path / "others", *algorithms, good=content, bad=fits(data=noise(200, 2)))
    bad = bag / "data/bad.fits"
    bad.write_bytes(bad.read_bytes()[:-1] + b"x")
    outcome = desk.file(bag)
    assert (outcome.exit_code, outcome.filed, outcome.refused) == (1, 1, 1)
    assert list(desk.files().values()) == [content]
    (finding,) = [one for one in outcome.all_findings() if one.kind is FindingKind.CHANGED]
    assert finding.path == str(bad)


def test_a_bag_of_others_is_filed_by_its_headers_and_nothing_is_written_into_it(tmp_path: Path, desk: Desk):
    bag = made_by_others(tmp_path / "others", "sha256", light=fits())
    before = sorted(path.relative_to(bag) for path in bag.rglob("*"))
    outcome = desk.file(bag)
    assert (outcome.exit_code, outcome.filed) == (0, 1)
    assert list(desk.files()) == ["M 51/data/2026-03-14/Ha/light.fits"]
    assert sorted(path.relative_to(bag) for path in bag.rglob("*")) == before
    assert not outcome.deliveries[0].acknowledged


def test_what_is_missing_and_what_no_manifest_lists_is_named_and_not_filed(tmp_path: Path, desk: Desk):
    bag = made_by_others(tmp_path / "others", "sha256", one=fits(), two=fits(target="M 33"))
    (bag / "data/two.fits").unlink()
    (bag / "data/three.fits").write_bytes(fits(target="M 81"))
    outcome = desk.file(bag)
    assert (outcome.exit_code, outcome.filed, outcome.refused) == (1, 1, 2)
    assert {(finding.kind, Path(finding.path).name) for finding in outcome.all_findings()} == {
        (FindingKind.MISSING, "two.fits"),
        (FindingKind.UNLISTED, "three.fits"),
    }


def test_a_list_that_lost_a_line_with_its_file_is_told_by_what_the_bag_says_of_its_payload(
    tmp_path: Path, desk: Desk
):
    files = {"one": fits(data=noise(9, 1)), "two": fits(data=noise(9, 2))}
    bag = made_by_others(tmp_path / "others", "sha256", **files)
    (bag / "tagmanifest-sha256.txt").unlink()
    (bag / "data/two.fits").unlink()
    manifest = bag / "manifest-sha256.txt"
    kept = [line for line in manifest.read_text().splitlines(True) if "one.fits" in line]
    manifest.write_text("".join(kept))
    outcome = desk.file(bag)
    assert (outcome.exit_code, outcome.filed) == (1, 1)
    assert "Payload-Oxum says" in "\n".join(finding.detail for finding in outcome.all_findings())


@pytest.mark.parametrize("path", ["../outside.fits", "/etc/hostname", "data/../../outside.fits", "~/x.fits"])
def test_a_path_that_climbs_out_of_its_bag_is_named_and_not_followed(tmp_path: Path, desk: Desk, path: str):
    bag = made_by_others(tmp_path / "others", "sha256", one=fits())
    outside = tmp_path / "outside.fits"
    outside.write_bytes(fits(target="M 33"))
    (bag / "tagmanifest-sha256.txt").unlink()
    with (bag / "manifest-sha256.txt").open("a") as manifest:
        manifest.write(f"{hashlib.sha256(outside.read_bytes()).hexdigest()}  {path}\n")
    outcome = desk.file(bag)
    assert (outcome.exit_code, outcome.filed, outcome.refused) == (1, 1, 1)
    assert list(desk.files()) == ["M 51/data/2026-03-14/Ha/one.fits"]
    assert FindingKind.MALFORMED in {finding.kind for finding in outcome.all_findings()}


@need_links
def test_a_link_in_a_bag_is_not_followed(tmp_path: Path, desk: Desk):
    bag = made_by_others(tmp_path / "others", "sha256", one=fits(), two=fits(target="M 33"))
    (bag / "data/two.fits").rename(bag / "data/real.fits")
    (bag / "data/two.fits").symlink_to("real.fits")
    outcome = desk.file(bag)
    assert (outcome.exit_code, outcome.filed) == (1, 1)
    assert "is a link" in " ".join(finding.detail for finding in outcome.all_findings())


@need_every_name
def test_names_that_some_system_cannot_take_are_filed_under_others_and_that_is_said(
    tmp_path: Path, desk: Desk
):
    bag = tmp_path / "others"
    long_name = "é" * 125
    made_by_others(
        bag, "sha256", **{"CON": fits(), long_name: fits(data=noise(99, 1)), "a:b?": fits(data=noise(99, 2))}
    )
    outcome = desk.file(bag)
    assert (outcome.exit_code, outcome.filed) == (0, 3)
    names = sorted(Path(path).name for path in desk.files())
    assert "_CON.fits" in names
    assert "a_b_.fits" in names
    assert max(len(name.encode()) for name in names) <= 240
    changed = [one for one in outcome.all_findings() if one.kind is FindingKind.NAME_CHANGED]
    assert len(changed) == 3
    desk.assert_all_valid()


def test_a_frame_with_hostile_names_in_its_header_stays_in_the_archive(tmp_path: Path, desk: Desk):
    folder = tmp_path / "years"
    folder.mkdir()
    (folder / "1.fits").write_bytes(fits(target="../x", filter_name="CON"))
    (folder / "2.fits").write_bytes(fits(target="M\x0751", filter_name="../../Ha", data=noise(64, 1)))
    (folder / "3.fits").write_bytes(fits(target="bagit.txt", filter_name="", data=noise(64, 2)))
    outcome = desk.file(folder)
    assert (outcome.exit_code, outcome.filed) == (0, 3)
    assert {path.name for path in desk.root.iterdir()} == {"archive", "nightferry.toml", "records"}
    assert "_._x/data/2026-03-14/_CON/1.fits" in desk.files()
    assert "bagit.txt (target)/data/2026-03-14/filter not given/3.fits" in desk.files()
    desk.assert_all_valid()


def test_zero_and_negative_exposures_are_filed_and_add_up_to_nothing(tmp_path: Path, desk: Desk):
    folder = tmp_path / "years"
    folder.mkdir()
    for number, exposure in enumerate(("0.0", "-300.0", "1E99", "600.0")):
        content = fits(data=noise(64, number)).replace(b"               600.0", exposure.rjust(20).encode())
        (folder / f"{number}.fits").write_bytes(content)
    outcome = desk.file(folder)
    assert (outcome.exit_code, outcome.filed) == (0, 4)
    assert [each.exposure_s for each in outcome.archives[0].sums().values()] == [600.0]


def test_entries_that_are_not_what_was_written_are_not_believed(computer: Computer, stick: Path, desk: Desk):
    computer.frame("light.fits")
    computer.send(stick)
    listed = stick / "2026-03-14/nightferry/entries.jsonl"
    listed.write_bytes(listed.read_bytes().replace(b"M 51", b"M 15"))
    outcome = desk.file(stick)
    assert outcome.exit_code == 1
    assert list(desk.files()) == ["M 51/data/2026-03-14/Ha/light.fits"]
    assert not outcome.deliveries[0].acknowledged
    assert str(listed) in {finding.path for finding in outcome.all_findings()}


def test_a_night_that_send_did_not_finish_is_filed_as_far_as_it_holds_and_not_acknowledged(
    computer: Computer, stick: Path, desk: Desk
):
    from tests.support.nights import entries
    from transfer.engine.bag.journal import journal_line

    computer.frame("one.fits")
    computer.frame("two.fits", data=noise(99, 1))
    computer.send(stick)
    bag = stick / "2026-03-14"
    unproven = entries(bag)["data/frames/two.fits"]
    for name in ("manifest-sha256.txt", "nightferry/payload-xxh128.txt", "nightferry/entries.jsonl"):
        lines = (bag / name).read_bytes().splitlines(keepends=True)
        (bag / name).write_bytes(b"".join(line for line in lines if b"two.fits" not in line))
    (bag / "tagmanifest-sha256.txt").unlink()
    (bag / "nightferry/journal.jsonl").write_bytes(journal_line(unproven))
    outcome = desk.file(stick)
    assert (outcome.exit_code, outcome.filed) == (1, 2)
    assert FindingKind.UNFINISHED in {finding.kind for finding in outcome.all_findings()}
    assert not outcome.deliveries[0].acknowledged


@need_renames
def test_the_system_is_asked_for_a_bag_in_its_own_form_and_a_person_told_in_theirs(tmp_path: Path):
    made_by_others(tmp_path / "drive" / "others", "sha256", good=fits(), gone=fits(target="M 33"))
    (tmp_path / "drive" / "others" / "data" / "gone.fits").unlink()
    medium = this_computer()
    pinned = medium.pin(tmp_path / "drive")
    (tmp_path / "drive").rename(tmp_path / "as the system knows it")
    spelling = Spelling(asked=lambda path: path.replace("/drive", "/as the system knows it"))
    try:
        delivery = bag_delivery(pinned, "others", Dating(medium, -1.9), "a bag", spelling)
        assert [item.shown for portion in delivery.portions for item in portion.items] == [
            str(tmp_path / "drive/others/data/good.fits")
        ]
        assert [refusal.finding.path for refusal in delivery.refusals] == [
            str(tmp_path / "drive/others/data/gone.fits")
        ]
        assert delivery.faults == ()
    finally:
        pinned.close()
