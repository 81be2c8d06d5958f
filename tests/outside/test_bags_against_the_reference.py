"""Our bags to other people's readers, and other people's bags to ours.

The reference library is bagit 1.9 (Library of Congress); the others are `sha256sum` of GNU coreutils and
`xxhsum` of the xxHash repository, run in the bag's root as anybody would in twenty years.
"""

from __future__ import annotations

import logging
import shutil
import subprocess
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any, BinaryIO

import bagit
import pytest

from manifests.bags.bag import MANIFEST, PAYLOAD_XXH128, TAG_MANIFEST, BagWriter, read_bag
from manifests.bags.digests import digest_blocks
from manifests.bags.entries import Entry
from manifests.bags.verify import Verification, verify
from manifests.findings import FindingKind

FILES = {
    "frames/M 31/light 1.fits": b"SIMPLE  =                    T",
    "frames/O'Hara's field/é–Hα 10 nm.fits": b"\x00" * 3000,
    "logs/focus/2026-03-14/run #1 [best].json": b'{"steps": 7310}',
    "logs/empty.log": b"",
}


@pytest.fixture(autouse=True)
def _quiet_library() -> Iterator[None]:
    """The library says each failure to its log as well as by raising."""
    logging.getLogger("bagit").setLevel(logging.CRITICAL)
    yield
    logging.getLogger("bagit").setLevel(logging.NOTSET)


def put(folder: Path, files: dict[str, bytes]) -> None:
    for path, content in files.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(content)


@pytest.fixture
def ours(tmp_path: Path) -> Path:
    """A bag as `send` writes it."""
    bag = tmp_path / "2026-03-14"
    put(bag / "data", FILES)

    def create(name: str) -> BinaryIO:
        (bag / name).parent.mkdir(exist_ok=True)
        return (bag / name).open("wb")

    acknowledgement = b'{"archive": "the shelf"}\n'
    put(bag, {"nightferry/acknowledgement-1.json": acknowledgement})
    info = {"Source-Organization": "The hill\nBag-Count: 9 of 9", "External-Description": "long words " * 30}
    writer = BagWriter(create, info)
    for path, content in FILES.items():
        digests = digest_blocks([content])
        writer.add(Entry(f"data/{path}", len(content), digests, 1, "s", path, date(2026, 3, 14)))
    writer.close({"nightferry/acknowledgement-1.json": digest_blocks([acknowledgement]).sha256})
    return bag


def made_by_the_library(folder: Path, files: dict[str, bytes], checksums: list[str], **info: str) -> Path:
    put(folder, files)
    bagit.make_bag(str(folder), dict(info), checksums=checksums)
    return folder


def ours_says(folder: Path) -> Verification:
    return verify(read_bag(folder))


def library_says(folder: Path) -> bool:
    """Return whether the reference library finds the bag valid."""
    try:
        bag: Any = bagit.Bag(str(folder))
        bag.validate()
    except bagit.BagError:
        return False
    return True


def tool_says(folder: Path, *command: str) -> bool:
    if shutil.which(command[0]) is None:
        pytest.skip(f"{command[0]} is not installed")
    return subprocess.run([*command], cwd=folder, capture_output=True, check=False).returncode == 0


# Ours, to others


def test_the_reference_library_finds_our_bags_valid(ours: Path) -> None:
    bag: Any = bagit.Bag(str(ours))
    bag.validate()
    assert bag.version_info == (1, 0)
    assert "Bag-Count" not in bag.info
    assert set(bag.payload_entries()) == {f"data/{path}" for path in FILES}


@pytest.mark.parametrize("manifest", [MANIFEST, TAG_MANIFEST])
def test_coreutils_proves_our_bags(ours: Path, manifest: str) -> None:
    assert tool_says(ours, "sha256sum", "--check", "--strict", manifest)


def test_xxhsum_proves_our_bags(ours: Path) -> None:
    assert tool_says(ours, "xxhsum", "-c", "--strict", PAYLOAD_XXH128)


def test_our_own_reader_proves_them(ours: Path) -> None:
    found = ours_says(ours)
    assert found.findings == ()
    assert found.verified == len(FILES)


def test_a_flipped_byte_in_our_bag_is_seen_by_everybody(ours: Path) -> None:
    path = ours / "data" / "frames/M 31/light 1.fits"
    path.write_bytes(path.read_bytes().replace(b"T", b"F"))
    assert not library_says(ours)
    assert not tool_says(ours, "sha256sum", "--check", "--strict", MANIFEST)
    assert not tool_says(ours, "xxhsum", "-c", "--strict", PAYLOAD_XXH128)
    assert [finding.path for finding in ours_says(ours).changed] == ["data/frames/M 31/light 1.fits"]


# Others', to ours


@pytest.mark.parametrize(
    "checksums",
    [
        ["md5"],
        ["sha1"],
        ["sha256"],
        ["sha512"],
        ["sha3_256"],
        ["blake2b"],
        ["md5", "sha1", "sha256", "sha512"],
    ],
    ids="+".join,
)
def test_bags_of_the_reference_library_are_proven(tmp_path: Path, checksums: list[str]) -> None:
    folder = made_by_the_library(tmp_path / "bag", FILES, checksums, **{"Contact-Name": "the observer"})
    found = ours_says(folder)
    assert found.findings == ()
    assert found.verified == len(FILES)
    assert ("Contact-Name", "the observer") in read_bag(folder).info


def test_a_bag_of_version_0_97_laid_out_by_hand_is_valid_to_both(tmp_path: Path) -> None:
    put(tmp_path / "data", {"50% grey.fits": b"abc", "b.fits": b"abcd"})
    lines = [f"{digest_blocks([b'abc']).sha256} *data/50% grey.fits"]
    lines.append(f"{digest_blocks([b'abcd']).sha256.upper()}\t./data/b.fits")
    put(
        tmp_path,
        {
            "bagit.txt": b"BagIt-Version: 0.97\r\nTag-File-Character-Encoding: UTF-8\r\n",
            "manifest-sha256.txt": ("\r\n".join(lines) + "\r\n").encode(),
        },
    )
    assert library_says(tmp_path)
    assert ours_says(tmp_path).holds


def _flip(folder: Path) -> None:
    path = folder / "data" / "logs/focus/2026-03-14/run #1 [best].json"
    path.write_bytes(path.read_bytes().replace(b"7310", b"7311"))


def _cut(folder: Path) -> None:
    path = folder / "data" / "frames/O'Hara's field/é–Hα 10 nm.fits"
    path.write_bytes(path.read_bytes()[:-1])


def _remove(folder: Path) -> None:
    (folder / "data" / "logs" / "empty.log").unlink()


def _add(folder: Path) -> None:
    (folder / "data" / "stray.fits").write_bytes(b"x")


def _rename(folder: Path) -> None:
    (folder / "data" / "logs" / "empty.log").rename(folder / "data" / "logs" / "full.log")


def _edit_tag_file(folder: Path) -> None:
    with (folder / "bag-info.txt").open("a") as file:
        file.write("Contact-Name: somebody else\n")


def _remove_tag_file(folder: Path) -> None:
    (folder / "bag-info.txt").unlink()


def _drop_a_line(folder: Path) -> None:
    manifest = folder / "manifest-sha256.txt"
    manifest.write_text("\n".join(manifest.read_text().splitlines()[1:]) + "\n")


def _wrong_digest(folder: Path) -> None:
    manifest = folder / "manifest-sha256.txt"
    text = manifest.read_text()
    manifest.write_text(("0" if text[0] != "0" else "1") + text[1:])


def _wrong_oxum(folder: Path) -> None:
    info = folder / "bag-info.txt"
    info.write_text(info.read_text().replace("Payload-Oxum: ", "Payload-Oxum: 1"))
    (folder / "tagmanifest-sha256.txt").unlink()


def _climb_out(folder: Path) -> None:
    with (folder / "manifest-sha256.txt").open("a") as file:
        file.write(f"{'0' * 64}  ../../x\n")


def _mark(folder: Path) -> None:
    (folder / "bagit.txt").write_bytes(b"\xef\xbb\xbf" + (folder / "bagit.txt").read_bytes())
    (folder / "tagmanifest-sha256.txt").unlink()


def _unknown_encoding(folder: Path) -> None:
    (folder / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: KLINGON\n")
    (folder / "tagmanifest-sha256.txt").unlink()


DAMAGES: list[tuple[Callable[[Path], None], FindingKind]] = [
    (_flip, FindingKind.CHANGED),
    (_cut, FindingKind.CHANGED),
    (_remove, FindingKind.MISSING),
    (_add, FindingKind.UNLISTED),
    (_rename, FindingKind.MISSING),
    (_edit_tag_file, FindingKind.CHANGED),
    (_remove_tag_file, FindingKind.MISSING),
    (_drop_a_line, FindingKind.UNLISTED),
    (_wrong_digest, FindingKind.CHANGED),
    (_wrong_oxum, FindingKind.MALFORMED),
    (_climb_out, FindingKind.MALFORMED),
    (_mark, FindingKind.MALFORMED),
    (_unknown_encoding, FindingKind.MALFORMED),
]


@pytest.mark.parametrize(("damage", "kind"), DAMAGES, ids=lambda one: getattr(one, "__name__", ""))
def test_a_damaged_bag_is_bad_to_both(
    tmp_path: Path, damage: Callable[[Path], None], kind: FindingKind
) -> None:
    folder = made_by_the_library(tmp_path / "bag", FILES, ["sha256"])
    assert library_says(folder)
    damage(folder)
    assert not library_says(folder)
    assert kind in {finding.kind for finding in ours_says(folder).findings}


# Where we are stricter, or read what the library does not


def test_a_sibling_whose_name_only_begins_alike_is_refused_where_the_library_reads_it(tmp_path: Path) -> None:
    folder = made_by_the_library(tmp_path / "night", {"a.fits": b"abc"}, ["sha256"])
    put(tmp_path, {"night-evil/x": b"secret"})
    tags = folder / "tagmanifest-sha256.txt"
    tags.write_text(tags.read_text() + f"{digest_blocks([b'secret']).sha256} ../night-evil/x\n")
    assert library_says(folder)
    found = ours_says(folder)
    assert [finding.kind for finding in found.findings] == [FindingKind.MALFORMED]
    assert "climbs out" in found.findings[0].detail


def test_a_line_that_is_no_line_is_a_finding_where_the_library_skips_it(tmp_path: Path) -> None:
    folder = made_by_the_library(tmp_path / "bag", {"a.fits": b"abc"}, ["sha256"])
    (folder / "tagmanifest-sha256.txt").unlink()
    with (folder / "manifest-sha256.txt").open("a") as file:
        file.write("zzz\n")
    assert library_says(folder)
    assert [finding.kind for finding in ours_says(folder).findings] == [FindingKind.MALFORMED]


def test_names_that_the_standard_encodes_are_proven_though_the_library_cannot(tmp_path: Path) -> None:
    put(tmp_path / "data", {"100%.fits": b"abc", "two\nlines.fits": b"abcd"})
    lines = [f"{digest_blocks([b'abc']).sha256}  data/100%25.fits"]
    lines.append(f"{digest_blocks([b'abcd']).sha256}  data/two%0Alines.fits")
    put(
        tmp_path,
        {
            "bagit.txt": b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
            "manifest-sha256.txt": ("\n".join(lines) + "\n").encode(),
        },
    )
    assert not library_says(tmp_path)
    assert ours_says(tmp_path).verified == 2
    assert ours_says(tmp_path).holds


def test_the_librarys_own_spelling_of_a_percent_sign_is_read(tmp_path: Path) -> None:
    folder = made_by_the_library(tmp_path / "bag", {"100%.fits": b"abc", "100%25.fits": b"abcd"}, ["sha256"])
    assert library_says(folder)
    assert ours_says(folder).holds


def test_a_companion_file_of_another_system_does_not_fail_a_bag_here(tmp_path: Path) -> None:
    folder = made_by_the_library(tmp_path / "bag", {"a.fits": b"abc"}, ["sha256"])
    (folder / "data" / "._a.fits").write_bytes(b"\x00\x05\x16\x07\x00\x02\x00\x00")
    assert not library_says(folder)
    assert ours_says(folder).holds
