import errno
import hashlib
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from manifests.bags.bag import read_bag
from manifests.bags.hashing import read_plainly
from manifests.bags.verify import Verification, expected_bytes, verify
from manifests.findings import Finding, FindingKind
from tests.support.systems import need_every_name, need_pipes

HandMade = Callable[..., Path]
LIGHT, LOG = "data/frames/light 1.fits", "data/logs/guide.log"


def check(folder: Path) -> Verification:
    return verify(read_bag(folder))


def paths(findings: tuple[Finding, ...]) -> list[str]:
    return [finding.path for finding in findings]


def test_a_whole_bag_is_proven_and_counted(hand_made: HandMade) -> None:
    tags = {"bag-info.txt": "Payload-Oxum: 25.2\n"}
    found = check(hand_made(tags=tags, tag_algorithm="sha256"))
    assert found.findings == ()
    assert found.holds
    assert (found.verified, found.bytes_verified) == (2, 25)


def test_a_changed_byte_is_found_and_named(hand_made: HandMade) -> None:
    folder = hand_made()
    (folder / LIGHT).write_bytes(b"SIMPLE  = F")
    found = check(folder)
    assert paths(found.changed) == [LIGHT]
    assert len(found.findings) == 1
    assert found.verified == 1


def test_each_way_a_bag_can_fail_is_its_own_outcome(hand_made: HandMade) -> None:
    folder = hand_made()
    (folder / LIGHT).unlink()
    (folder / "data" / "extra.fits").write_bytes(b"x")
    found = check(folder)
    assert paths(found.missing) == [LIGHT]
    assert paths(found.unlisted) == ["data/extra.fits"]
    assert (found.changed, found.malformed, found.unreadable) == ((), (), ())
    assert not found.holds


@pytest.mark.parametrize("name", ["bagit.txt", "bag-info.txt", "nightferry/entries.jsonl"])
def test_a_list_of_ours_that_the_tag_manifest_no_longer_vouches_for_is_found(
    hand_made: HandMade, name: str
) -> None:
    """A line that is gone from the tag manifest would let every later change of that list pass."""
    tags = {"nightferry/entries.jsonl": "", "bag-info.txt": "Payload-Oxum: 25.2\n"}
    folder = hand_made(tags=tags, tag_algorithm="sha256")
    assert check(folder).holds
    tag_manifest = folder / "tagmanifest-sha256.txt"
    lines = tag_manifest.read_text().splitlines(keepends=True)
    tag_manifest.write_text("".join(line for line in lines if not line.endswith(f"  {name}\n")))
    assert paths(check(folder).unlisted) == [name]


def test_a_bag_of_others_may_leave_tag_files_out_of_its_tag_manifest(hand_made: HandMade) -> None:
    """RFC 8493, section 2.2.1: all payload manifests must be listed, and the other tag files should be."""
    folder = hand_made(tags={"bag-info.txt": "Payload-Oxum: 25.2\n"}, tag_algorithm="sha256")
    tag_manifest = folder / "tagmanifest-sha256.txt"
    lines = tag_manifest.read_text().splitlines(keepends=True)
    tag_manifest.write_text("".join(line for line in lines if "bag-info.txt" not in line))
    assert check(folder).holds


def test_an_unreadable_file_is_unreadable_and_not_changed(hand_made: HandMade) -> None:
    def failing(path: Path) -> Iterator[bytes]:
        if path.suffix == ".fits":
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        yield from read_plainly(path)

    found = verify(read_bag(hand_made()), failing)
    assert found.unreadable == (Finding(FindingKind.UNREADABLE, os.strerror(errno.EIO), LIGHT),)
    assert found.changed == ()
    assert found.verified == 1


def test_a_tag_file_that_changed_is_found(hand_made: HandMade) -> None:
    folder = hand_made(tags={"nightferry/entries.jsonl": "{}\n"}, tag_algorithm="sha256")
    (folder / "nightferry" / "entries.jsonl").write_bytes(b"{ }\n")
    assert paths(check(folder).changed) == ["nightferry/entries.jsonl"]
    (folder / "nightferry" / "entries.jsonl").unlink()
    assert paths(check(folder).missing) == ["nightferry/entries.jsonl"]


def test_tag_files_are_not_counted_as_payload(hand_made: HandMade) -> None:
    assert check(hand_made(tag_algorithm="sha256")).verified == 2


def test_a_digest_that_differs_in_one_of_several_manifests_is_enough(hand_made: HandMade) -> None:
    folder = hand_made(algorithms=("md5", "sha1", "sha512"))
    manifest = folder / "manifest-sha1.txt"
    manifest.write_text(manifest.read_text().replace(hashlib.sha1(b"SIMPLE  = T").hexdigest(), "0" * 40))
    found = check(folder)
    assert paths(found.changed) == [LIGHT]
    assert "sha1" in found.changed[0].detail


def test_since_version_1_each_manifest_lists_every_file(hand_made: HandMade) -> None:
    for version, unlisted in (("1.0", [LOG]), ("0.97", [])):
        folder = hand_made(version, algorithms=("md5", "sha256"), version=version)
        manifest = folder / "manifest-md5.txt"
        manifest.write_text(manifest.read_text().splitlines()[0] + "\n")
        found = check(folder)
        assert paths(found.unlisted) == unlisted
        assert found.verified == 2


def test_a_digest_of_an_unknown_algorithm_proves_nothing_and_accuses_nobody(hand_made: HandMade) -> None:
    folder = hand_made(algorithms=(), tags={"manifest-xyz999.txt": f"00 {LIGHT}\n00 {LOG}\n"})
    found = check(folder)
    assert paths(found.malformed) == ["manifest-xyz999.txt"]
    assert len(found.findings) == 1
    assert found.verified == 0


def test_a_malformed_line_keeps_a_bag_from_passing(hand_made: HandMade) -> None:
    folder = hand_made()
    with (folder / "manifest-sha256.txt").open("a") as manifest:
        manifest.write(f"{'0' * 64}  ../night-evil/x\n")
    found = check(folder)
    assert paths(found.malformed) == ["manifest-sha256.txt"]
    assert "line 3" in found.malformed[0].detail
    assert found.verified == 2


@need_pipes
def test_nothing_outside_the_bag_and_nothing_that_is_no_file_is_ever_opened(
    hand_made: HandMade, tmp_path: Path
) -> None:
    digest = hashlib.sha256(b"secret").hexdigest()
    listed = [
        "../night-evil/x",
        "data/../../night-evil/x",
        "/etc/hostname",
        "data/out",
        "data/fifo",
        "data/dir/x",
    ]
    folder = hand_made(
        tags={"manifest-sha256.txt": "".join(f"{digest}  {path}\n" for path in listed)}, files={}
    )
    (tmp_path / "night-evil").mkdir()
    (tmp_path / "night-evil" / "x").write_bytes(b"secret")
    (folder / "data" / "out").symlink_to(tmp_path / "night-evil" / "x")
    (folder / "data" / "dir").symlink_to(tmp_path / "night-evil")
    os.mkfifo(folder / "data" / "fifo")

    def never(path: Path) -> Iterator[bytes]:
        raise AssertionError(path)

    found = verify(read_bag(folder), never)
    assert len(found.malformed) == len(listed)
    assert found.verified == 0


@need_pipes
def test_unlisted_links_and_fifos_are_unlisted(hand_made: HandMade) -> None:
    folder = hand_made()
    (folder / "data" / "link").symlink_to("logs/guide.log")
    os.mkfifo(folder / "data" / "fifo")
    assert sorted(paths(check(folder).unlisted)) == ["data/fifo", "data/link"]


def test_what_other_systems_drop_beside_the_frames_is_no_failure(hand_made: HandMade) -> None:
    folder = hand_made()
    (folder / "data" / "frames" / "._light 1.fits").write_bytes(b"\x00\x05\x16\x07...")
    (folder / "data" / ".DS_Store").write_bytes(b"x")
    (folder / "data" / "System Volume Information").mkdir()
    (folder / "data" / "System Volume Information" / "tracking.log").write_bytes(b"x")
    assert check(folder).holds
    (folder / "data" / "frames" / "._light 2.fits").write_bytes(b"SIMPLE")
    assert paths(check(folder).unlisted) == ["data/frames/._light 2.fits"]


def test_a_listed_companion_is_payload_like_any_other(hand_made: HandMade) -> None:
    folder = hand_made(files={"data/.DS_Store": b"x"})
    assert check(folder).verified == 1
    (folder / "data" / ".DS_Store").write_bytes(b"y")
    assert paths(check(folder).changed) == ["data/.DS_Store"]


def test_a_payload_oxum_that_contradicts_a_payload_that_holds_is_said(hand_made: HandMade) -> None:
    folder = hand_made(tags={"bag-info.txt": "Payload-Oxum: 27.2\n"})
    found = check(folder)
    assert paths(found.malformed) == ["bag-info.txt"]
    assert "27.2" in found.malformed[0].detail
    (folder / LOG).unlink()
    assert paths(check(folder).malformed) == []  # the missing file says it already


def test_a_file_that_can_be_fetched_is_missing_and_says_from_where(hand_made: HandMade) -> None:
    folder = hand_made(tags={"fetch.txt": f"https://example.org/1 11 {LIGHT}\n"})
    (folder / LIGHT).unlink()
    (finding,) = check(folder).findings
    assert finding == Finding(FindingKind.MISSING, "to be fetched from https://example.org/1", LIGHT)


@need_every_name
def test_names_with_line_breaks_and_percent_signs_are_proven(hand_made: HandMade) -> None:
    files = {"data/a\nb.fits": b"1", "data/50%.fits": b"2"}
    lines = "".join(
        f"{hashlib.sha256(content).hexdigest()}  {spelled}\n"
        for spelled, content in (("data/a%0Ab.fits", b"1"), ("data/50%25.fits", b"2"))
    )
    assert check(hand_made(files=files, tags={"manifest-sha256.txt": lines})).verified == 2


def test_a_bag_whose_drive_left_has_only_unreadable_files(hand_made: HandMade, tmp_path: Path) -> None:
    folder = hand_made()
    bag = read_bag(folder)
    folder.rename(tmp_path / "pulled")
    found = verify(bag)
    assert {finding.kind for finding in found.findings} == {FindingKind.UNREADABLE}
    assert found.verified == 0


def test_a_check_that_is_ended_early_says_so_and_keeps_what_it_proved(hand_made: HandMade) -> None:
    found = verify(read_bag(hand_made()), go_on=lambda: False)
    assert not found.complete
    assert not found.holds
    assert found.verified == 1


def test_what_there_is_to_read_is_told_before(hand_made: HandMade) -> None:
    assert expected_bytes(read_bag(hand_made())) == 25
    assert expected_bytes(read_bag(hand_made("b", tags={"bag-info.txt": "Payload-Oxum: 7.1"}))) == 7


def test_the_json_form_has_a_count_and_lists_of_paths(hand_made: HandMade) -> None:
    folder = hand_made()
    (folder / LIGHT).unlink()
    line = json.loads(json.dumps(check(folder).as_json()))
    assert line["path"] == str(folder)
    assert line["verified"] == 1
    assert line["missing"] == [LIGHT]
    assert line["changed"] == line["unlisted"] == line["malformed"] == []


# An unfinished run of ours


def journal_line(path: str, content: bytes) -> str:
    facts = {"path": path, "size_bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
    rest = {"xxh128": "0" * 32, "modified_ns": 1, "source": "s", "original": "o", "night": "2026-03-14"}
    return json.dumps(facts | rest) + "\n"


def test_files_of_an_unfinished_run_are_not_unlisted_and_the_next_step_is_said(hand_made: HandMade) -> None:
    journal = journal_line("data/new.fits", b"new") + journal_line("data/coming.fits", b"coming")
    folder = hand_made(tags={"nightferry/journal.jsonl": journal})
    (folder / "data" / "new.fits").write_bytes(b"new")
    (folder / "nightferry" / "incoming").mkdir()
    (folder / "nightferry" / "incoming" / "coming.part").write_bytes(b"co")
    found = check(folder)
    assert [finding.kind for finding in found.findings] == [FindingKind.UNFINISHED]
    assert "nightferry send" in found.unfinished[0].detail
    assert found.verified == 3
    assert not found.holds


def test_a_file_in_the_journal_that_is_not_whole_is_unfinished_and_not_changed(hand_made: HandMade) -> None:
    folder = hand_made(tags={"nightferry/journal.jsonl": journal_line("data/new.fits", b"new")})
    (folder / "data" / "new.fits").write_bytes(b"ne")
    found = check(folder)
    assert paths(found.unfinished) == ["nightferry/journal.jsonl", "data/new.fits"]
    assert found.changed == ()


def test_a_file_the_manifest_lists_is_held_to_it_whatever_the_journal_says(hand_made: HandMade) -> None:
    folder = hand_made(tags={"nightferry/journal.jsonl": journal_line(LIGHT, b"SIMPLE  = F")})
    (folder / LIGHT).write_bytes(b"SIMPLE  = F")
    assert paths(check(folder).changed) == [LIGHT]


def test_a_file_no_list_knows_is_unlisted_in_an_unfinished_bag_too(hand_made: HandMade) -> None:
    folder = hand_made(tags={"nightferry/journal.jsonl": ""})
    (folder / "data" / "stray").write_bytes(b"x")
    assert paths(check(folder).unlisted) == ["data/stray"]


@pytest.mark.parametrize("name", ["md5", "sha1", "sha224", "sha384", "sha512", "sha3_512", "blake2s"])
def test_bags_of_every_algorithm_are_proven(hand_made: HandMade, name: str) -> None:
    folder = hand_made(algorithms=(name,), tag_algorithm=name)
    assert check(folder).holds
    (folder / LOG).write_bytes(b"21:05 settled\n")
    assert paths(check(folder).changed) == [LOG]


def test_the_json_form_says_everything_by_its_own_name(hand_made: HandMade) -> None:
    folder = hand_made()
    assert verify(read_bag(folder), go_on=lambda: False).as_json() == {
        "path": str(folder),
        "quick": False,
        "verified": 1,
        "bytes_verified": 11,
        "agreed": 0,
        "complete": False,
        "missing": [],
        "changed": [],
        "unlisted": [],
        "malformed": [],
        "unreadable": [],
        "unfinished": [],
    }


def test_a_file_that_an_unfinished_run_has_not_made_whole_is_said_to_be_so(hand_made: HandMade) -> None:
    folder = hand_made(tags={"nightferry/journal.jsonl": journal_line("data/new.fits", b"new")})
    (folder / "data" / "new.fits").write_bytes(b"ne")
    assert check(folder).unfinished[1].detail == "is not whole yet, or another content's name"


def test_a_check_that_is_ended_early_does_not_hold_the_oxum_against_what_it_has_not_read(
    hand_made: HandMade,
) -> None:
    folder = hand_made(tags={"bag-info.txt": "Payload-Oxum: 25.2\n"})
    assert verify(read_bag(folder), go_on=lambda: False).findings == ()


def test_what_was_not_counted_is_not_claimed(tmp_path: Path) -> None:
    nothing = Verification(tmp_path, quick=True)
    assert (nothing.verified, nothing.bytes_verified, nothing.agreed) == (0, 0, 0)
    assert nothing.complete
    assert nothing.holds
    assert not Verification(tmp_path, complete=False).holds
