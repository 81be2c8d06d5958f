import errno
import os
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from manifests.bags.bag import NotABag, Oxum, is_bag, payload_oxum, read_bag
from manifests.bags.tag_lines import LONGEST_LINE
from manifests.findings import Finding, FindingKind
from tests.support.systems import need_links, need_pipes

HandMade = Callable[..., Path]


def reasons(folder: Path) -> list[str]:
    return [f"{fault.path}: {fault.reason}" for fault in read_bag(folder).malformed]


def test_a_plain_bag_declares_what_it_is(hand_made: HandMade) -> None:
    tags = {"bag-info.txt": "Source-Organization: The hill\nPayload-Oxum: 25.2\n"}
    bag = read_bag(hand_made(algorithms=("md5", "sha512"), tags=tags, tag_algorithm="sha1"))
    assert (bag.version, bag.encoding) == ((1, 0), "UTF-8")
    assert bag.info[0] == ("Source-Organization", "The hill")
    assert bag.oxum == Oxum(25, 2)
    assert [one.name for one in bag.manifests] == ["manifest-md5.txt", "manifest-sha512.txt"]
    assert [one.name for one in bag.tag_manifests] == ["tagmanifest-sha1.txt"]
    assert list(bag.manifests[0].digests) == ["data/frames/light 1.fits", "data/logs/guide.log"]
    assert (bag.malformed, bag.unreadable, bag.journal) == ((), (), None)


@pytest.mark.parametrize("version", ["0.93", "0.95", "0.96", "0.97", "1.0"])
def test_every_version_is_read(hand_made: HandMade, version: str) -> None:
    info = "package-info.txt" if version < "0.96" else "bag-info.txt"
    bag = read_bag(hand_made(version=version, tags={info: "Payload-Oxum: 1.2"}))
    assert bag.malformed == ()
    assert bag.oxum == (1, 2)


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"\xef\xbb\xbfBagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n", "byte-order mark"),
        (b"BagIt-Version: 1.0\n", "no Tag-File-Character-Encoding"),
        (b"Tag-File-Character-Encoding: UTF-8\n", "no BagIt-Version"),
        (b"BagIt-Version: one\nTag-File-Character-Encoding: UTF-8\n", "no BagIt-Version of the form"),
        (b"BagIt-Version: 7.1\nTag-File-Character-Encoding: UTF-8\n", "not one that this program knows"),
        (b"BagIt-Version: 1.0\nTag-File-Character-Encoding: KLINGON\n", "is not an encoding"),
        (b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\nA: b\n", "has no place here"),
        (b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\nzzz\n", "neither"),
        (b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n" + b"A: b\n" * 9000, "too many lines"),
        (b"BagIt-Version: 1.0\n\xff\nTag-File-Character-Encoding: UTF-8\n", "not in the declared encoding"),
    ],
)
def test_a_declaration_that_is_wrong_is_said_and_the_bag_still_read(
    hand_made: HandMade, content: bytes, reason: str
) -> None:
    folder = hand_made(tags={"bagit.txt": content})
    assert any(reason in one for one in reasons(folder))
    assert len(read_bag(folder).manifests[0].digests) == 2


def test_tag_files_are_read_in_the_encoding_that_the_bag_declares(hand_made: HandMade) -> None:
    digest = "0" * 64
    tags = {
        "bagit.txt": "BagIt-Version: 1.0\nTag-File-Character-Encoding: ISO-8859-1\n",
        "manifest-sha256.txt": f"{digest} data/\u00e9\n".encode("latin-1"),
        "bag-info.txt": "Contact-Name: J\u00e9r\u00f4me\n".encode("latin-1"),
    }
    bag = read_bag(hand_made(tags=tags))
    assert list(bag.manifests[0].digests) == ["data/é"]
    assert bag.info == (("Contact-Name", "Jérôme"),)


@pytest.mark.parametrize("value", ["", "12", "1.2.3", "-1.2", "1e3.4", "٣.٤", "9" * 5000 + ".1"])
def test_a_payload_oxum_that_is_none_is_malformed(hand_made: HandMade, value: str) -> None:
    folder = hand_made(tags={"bag-info.txt": f"Payload-Oxum: {value}\n"})
    assert read_bag(folder).oxum is None
    assert any("Payload-Oxum" in one for one in reasons(folder))


def test_the_payload_oxum_is_had_without_reading_manifests(hand_made: HandMade) -> None:
    assert payload_oxum(hand_made(tags={"bag-info.txt": "payload-OXUM: 1.2\n"})) == Oxum(1, 2)
    assert payload_oxum(hand_made("other")) is None


def test_what_every_bag_must_have_is_missed(hand_made: HandMade, tmp_path: Path) -> None:
    folder = hand_made(algorithms=())
    assert any(one.startswith("a payload manifest:") for one in reasons(folder))
    (folder / "data").rename(tmp_path / "elsewhere")
    assert any(one.startswith("data:") for one in reasons(folder))


def test_a_bag_whose_declaration_is_lost_is_still_a_bag(hand_made: HandMade) -> None:
    folder = hand_made()
    (folder / "bagit.txt").unlink()
    assert is_bag(folder)
    assert reasons(folder) == ["bagit.txt: is not there, and every bag has one"]


def test_a_folder_without_any_sign_of_a_bag_is_refused(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "tagmanifest-md5.txt").touch()
    with pytest.raises(NotABag) as raised:
        read_bag(tmp_path)
    assert raised.value.path == tmp_path


def test_a_tag_manifest_that_leaves_out_a_payload_manifest_is_malformed_since_version_1(
    hand_made: HandMade,
) -> None:
    tags = {"tagmanifest-sha256.txt": f"{'0' * 64} bagit.txt\n"}
    assert reasons(hand_made(tags=tags)) == [
        "tagmanifest-sha256.txt: does not list manifest-sha256.txt, as it must"
    ]
    assert reasons(hand_made("old", tags=tags, version="0.97")) == []


def test_an_algorithm_nobody_has_is_said(hand_made: HandMade) -> None:
    folder = hand_made(tags={"manifest-xyz999.txt": "00 data/frames/light 1.fits\n"})
    assert any("manifest-xyz999.txt: is of an algorithm" in one for one in reasons(folder))


@need_pipes
def test_a_manifest_that_is_a_fifo_is_not_waited_for(hand_made: HandMade) -> None:
    folder = hand_made()
    (folder / "manifest-sha256.txt").unlink()
    os.mkfifo(folder / "manifest-sha256.txt")
    assert [finding.path for finding in read_bag(folder).unreadable] == ["manifest-sha256.txt"]


@need_links
def test_a_manifest_that_is_a_link_to_outside_is_not_read(hand_made: HandMade, tmp_path: Path) -> None:
    folder = hand_made()
    (folder / "manifest-sha256.txt").rename(tmp_path / "outside.txt")
    (folder / "manifest-sha256.txt").symlink_to(tmp_path / "outside.txt")
    bag = read_bag(folder)
    assert [finding.path for finding in bag.unreadable] == ["manifest-sha256.txt"]
    assert len(bag.manifests[0].digests) == 0


def test_a_folder_called_like_a_manifest_is_unreadable(hand_made: HandMade) -> None:
    folder = hand_made()
    (folder / "manifest-md5.txt").mkdir()
    assert [finding.path for finding in read_bag(folder).unreadable] == ["manifest-md5.txt"]


def test_a_night_that_was_never_finished_is_a_bag_with_a_journal(tmp_path: Path) -> None:
    (tmp_path / "nightferry").mkdir()
    (tmp_path / "nightferry" / "journal.jsonl").write_bytes(b"")
    bag = read_bag(tmp_path)
    assert bag.journal is not None
    assert bag.malformed == ()


def test_a_manifest_with_mixed_line_ends_is_read_whole(hand_made: HandMade) -> None:
    folder = hand_made()
    manifest = folder / "manifest-sha256.txt"
    first, second = manifest.read_bytes().splitlines()
    manifest.write_bytes(b"\xef\xbb\xbf" + first + b"\r" + second + b"\r\n")
    bag = read_bag(folder)
    assert len(bag.manifests[0].digests) == 2
    assert bag.malformed == ()


def faults_of(folder: Path) -> list[tuple[str, int, str]]:
    return [(fault.path, fault.line, fault.reason) for fault in read_bag(folder).malformed]


@pytest.mark.parametrize(
    ("content", "line", "reason"),
    [
        (b"", 0, ""),
        (
            b"Tag-File-Character-Encoding: UTF-8\n",
            0,
            "has no BagIt-Version of the form M.N; it was read as 1.0",
        ),
        (
            b"Tag-File-Character-Encoding: UTF-8\nBagIt-Version: one\n",
            2,
            "has no BagIt-Version of the form M.N; it was read as 1.0",
        ),
        (
            b"Tag-File-Character-Encoding: UTF-8\nBagIt-Version: 7.1\n",
            2,
            "BagIt-Version 7.1 is not one that this program knows",
        ),
        (b"BagIt-Version: 1.0\n", 0, "has no Tag-File-Character-Encoding; UTF-8 was taken"),
        (
            b"BagIt-Version: 1.0\nTag-File-Character-Encoding: KLINGON\n",
            2,
            "'KLINGON' is not an encoding; UTF-8 was taken",
        ),
        (
            b"BagIt-Version : 1.0\nTag-File-Character-Encoding: UTF-8\n",
            1,
            "has white space between 'BagIt-Version' and its colon",
        ),
        (
            b"BagIt-Version: 1.0\nTag-File-Character-Encoding\t: UTF-8\n",
            2,
            "has white space between 'Tag-File-Character-Encoding' and its colon",
        ),
        (b"BagIt-Version : 0.97\nTag-File-Character-Encoding : UTF-8\n", 0, ""),
        (
            b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\nBagIt-Version: 1.0\n",
            3,
            "'BagIt-Version' has no place here",
        ),
    ],
)
def test_what_is_wrong_with_a_declaration_is_said_with_its_line(
    hand_made: HandMade, content: bytes, line: int, reason: str
) -> None:
    expected = [("bagit.txt", line, reason)] if reason else []
    assert faults_of(hand_made(tags={"bagit.txt": content})) == expected


@pytest.mark.parametrize("version", ["0.92", "1.1", "2.0"])
def test_a_version_just_outside_those_that_are_known_is_said(hand_made: HandMade, version: str) -> None:
    folder = hand_made(tags={"bagit.txt": f"BagIt-Version: {version}\nTag-File-Character-Encoding: UTF-8\n"})
    assert [reason for _, _, reason in faults_of(folder)] == [
        f"BagIt-Version {version} is not one that this program knows"
    ]


def test_what_is_lacking_as_a_whole_has_no_line(hand_made: HandMade) -> None:
    folder = hand_made(algorithms=(), tags={"tagmanifest-md5.txt": ""})
    assert faults_of(folder) == [("a payload manifest", 0, "is not there, and every bag has one")]
    listed = hand_made("other", tags={"tagmanifest-sha256.txt": f"{'0' * 64} bagit.txt\n"})
    assert faults_of(listed) == [
        ("tagmanifest-sha256.txt", 0, "does not list manifest-sha256.txt, as it must")
    ]


def test_faults_of_every_tag_file_are_kept_beside_each_other(hand_made: HandMade) -> None:
    tags = {
        "bagit.txt": "BagIt-Version: 1.0\n",
        "bag-info.txt": "no label\nPayload-Oxum: x\n",
        "manifest-sha256.txt": "x\n",
        "tagmanifest-sha256.txt": "x\n",
        "fetch.txt": "x\n",
        "nightferry/journal.jsonl": "x\n",
    }
    folder = hand_made(tags=tags)
    found = [(path, line) for path, line, _ in faults_of(folder)]
    assert found == [
        ("bagit.txt", 0),
        ("bag-info.txt", 1),
        ("manifest-sha256.txt", 1),
        ("tagmanifest-sha256.txt", 1),
        ("nightferry/journal.jsonl", 1),
        ("tagmanifest-sha256.txt", 0),
        ("bag-info.txt", 2),
        ("fetch.txt", 1),
    ]


def test_a_bag_that_is_no_bag_is_named(tmp_path: Path) -> None:
    with pytest.raises(NotABag, match=re.escape(f"{tmp_path} is not a bag")):
        read_bag(tmp_path)


@need_links
def test_a_journal_that_is_a_link_to_outside_is_not_read_and_that_is_said(
    hand_made: HandMade, tmp_path: Path
) -> None:
    folder = hand_made(tags={"nightferry/journal.jsonl": "x\n"})
    (folder / "nightferry" / "journal.jsonl").rename(tmp_path / "journal")
    (folder / "nightferry" / "journal.jsonl").symlink_to(tmp_path / "journal")
    bag = read_bag(folder)
    assert bag.unreadable == (
        Finding(FindingKind.UNREADABLE, "is a link that leads out of the bag", "nightferry/journal.jsonl"),
    )
    assert bag.journal is not None
    assert dict(bag.journal.digests) == {}


def test_a_journal_with_a_line_without_end_does_not_fill_memory(hand_made: HandMade) -> None:
    folder = hand_made(tags={"nightferry/journal.jsonl": b"x" * (2 * LONGEST_LINE + 10) + b"\n"})
    assert [(path, line) for path, line, _ in faults_of(folder)] == [("nightferry/journal.jsonl", 1)]


@need_links
def test_what_cannot_be_read_is_said_in_the_system_s_words_and_nothing_is_missed(hand_made: HandMade) -> None:
    folder = hand_made()
    (folder / "manifest-md5.txt").symlink_to("manifest-md5.txt")
    bag = read_bag(folder)
    assert bag.unreadable == (Finding(FindingKind.UNREADABLE, os.strerror(errno.ELOOP), "manifest-md5.txt"),)
    (folder / "manifest-sha256.txt").unlink()
    (folder / "bagit.txt").unlink()
    assert [reason for _, _, reason in faults_of(folder) if "every bag has one" in reason] == []


def test_a_bag_that_leaves_while_it_is_read_is_unreadable_and_not_empty(
    hand_made: HandMade, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = hand_made()
    listings = iter(range(1))
    really = Path.iterdir

    def leaving(path: Path) -> Iterator[Path]:
        if next(listings, None) is None:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        return really(path)

    monkeypatch.setattr(Path, "iterdir", leaving)
    bag = read_bag(folder)
    assert bag.unreadable == (Finding(FindingKind.UNREADABLE, os.strerror(errno.ENODEV), ""),)
    assert (bag.manifests, bag.malformed) == ((), ())


@pytest.mark.parametrize(
    "version", ["x.0", "1.x", "1234.0", "1.1234", ".9", "1.", "1", "1.0.0", "1,0", "-1.0"]
)
def test_a_version_of_another_form_is_said_and_the_bag_read_as_1_0(hand_made: HandMade, version: str) -> None:
    folder = hand_made(tags={"bagit.txt": f"BagIt-Version: {version}\nTag-File-Character-Encoding: UTF-8\n"})
    assert read_bag(folder).version == (1, 0)
    assert faults_of(folder) == [("bagit.txt", 1, "has no BagIt-Version of the form M.N; it was read as 1.0")]


@pytest.mark.parametrize(("version", "read"), [("10.0", (10, 0)), ("0.100", (0, 100))])
def test_a_version_of_more_digits_is_another_version(
    hand_made: HandMade, version: str, read: tuple[int, int]
) -> None:
    folder = hand_made(tags={"bagit.txt": f"BagIt-Version: {version}\nTag-File-Character-Encoding: UTF-8\n"})
    assert read_bag(folder).version == read


@pytest.mark.parametrize(
    ("value", "oxum"),
    [
        ("7.12", Oxum(7, 12)),
        ("123456789012345678.2", Oxum(123456789012345678, 2)),
        ("1234567890123456789.2", None),
        ("2.1234567890123456789", None),
        ("7.", None),
        (".7", None),
        ("x.7", None),
        ("7.x", None),
    ],
)
def test_a_payload_oxum_is_two_numbers_of_up_to_eighteen_digits(
    hand_made: HandMade, value: str, oxum: Oxum | None
) -> None:
    folder = hand_made(tags={"bag-info.txt": f"A: b\nPayload-Oxum: {value}\n"})
    assert read_bag(folder).oxum == oxum
    said = [("bag-info.txt", 2, f"Payload-Oxum '{value}' is not 'bytes.files'")]
    assert faults_of(folder) == ([] if oxum else said)


def test_the_payload_oxum_of_an_old_bag_is_looked_for_where_such_a_bag_has_it(hand_made: HandMade) -> None:
    folder = hand_made(version="0.95", tags={"package-info.txt": "Payload-Oxum: 25.2\n"})
    assert payload_oxum(folder) == Oxum(25, 2)


def test_what_cannot_be_listed_or_has_no_payload_is_no_bag(tmp_path: Path) -> None:
    assert is_bag(tmp_path / "gone") is False
    (tmp_path / "manifest-md5.txt").touch()
    assert is_bag(tmp_path) is False
    (tmp_path / "data").mkdir()
    assert is_bag(tmp_path) is True


def test_a_label_that_has_no_place_in_a_declaration_is_said_wherever_it_stands(hand_made: HandMade) -> None:
    content = "Colour: blue\nBagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    assert faults_of(hand_made(tags={"bagit.txt": content})) == [
        ("bagit.txt", 1, "'Colour' has no place here"),
        ("bagit.txt", 3, "'Tag-File-Character-Encoding' has no place here"),
    ]


def test_of_an_endless_declaration_a_hundred_lines_are_read(hand_made: HandMade) -> None:
    content = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n" + "no label\n" * 200
    faults = faults_of(hand_made(tags={"bagit.txt": content}))
    assert max(line for _, line, _ in faults) == 100
    assert ("bagit.txt", 100, "has too many lines; the rest was not read") in faults


def test_where_a_file_may_be_fetched_is_read(hand_made: HandMade) -> None:
    path = "data/logs/guide.log"
    bag = read_bag(hand_made(tags={"fetch.txt": f"https://example.org/log 14 {path}\n"}))
    assert dict(bag.fetchable) == {path: "https://example.org/log"}
    assert bag.malformed == ()


def test_an_error_without_words_of_the_system_is_told_by_what_it_says(
    hand_made: HandMade, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = hand_made()
    listings = iter(range(1))
    really = Path.iterdir

    def leaving(path: Path) -> Iterator[Path]:
        if next(listings, None) is None:
            raise OSError("no number and no words")
        return really(path)

    monkeypatch.setattr(Path, "iterdir", leaving)
    assert [finding.detail for finding in read_bag(folder).unreadable] == ["no number and no words"]
