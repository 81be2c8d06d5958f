import errno
import hashlib
import os
import unicodedata
from pathlib import Path

import pytest

from manifests.bags.algorithms import SHA256
from manifests.bags.contents import survey
from manifests.bags.declared import Manifest
from manifests.bags.matching import Matched, match
from manifests.findings import FindingKind
from tests.support.systems import need_cases, need_every_name, need_links, need_pipes

COMPOSED = "data/M 31 Andromeda é.fits"
DECOMPOSED = unicodedata.normalize("NFD", COMPOSED)


def matched(folder: Path, *listed: str, written: dict[str, str] | None = None) -> Matched:
    digests = {path: hashlib.sha256(path.encode()).digest() for path in listed}
    manifest = Manifest("manifest-sha256.txt", SHA256, digests, written or {})
    return match(folder, manifest, survey(folder, ("data",)), {"data/far": "https://example.org/far"})


def put(folder: Path, *paths: str) -> None:
    for path in paths:
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).touch()


def kinds(found: Matched) -> list[tuple[FindingKind, str]]:
    return [(finding.kind, finding.path) for finding in found.findings]


def test_a_name_stored_decomposed_is_found_by_its_composed_spelling(tmp_path: Path) -> None:
    put(tmp_path, DECOMPOSED)
    found = matched(tmp_path, COMPOSED)
    assert found.on_disk == {COMPOSED: DECOMPOSED}
    assert found.findings == []


def test_the_exact_spelling_is_preferred_and_no_file_stands_for_two(tmp_path: Path) -> None:
    put(tmp_path, COMPOSED, DECOMPOSED)
    assert matched(tmp_path, DECOMPOSED, COMPOSED).on_disk == {COMPOSED: COMPOSED, DECOMPOSED: DECOMPOSED}
    (tmp_path / COMPOSED).unlink()
    found = matched(tmp_path, COMPOSED, DECOMPOSED)
    assert found.on_disk == {DECOMPOSED: DECOMPOSED}
    assert kinds(found) == [(FindingKind.MISSING, COMPOSED)]


def test_a_file_in_a_third_spelling_stands_for_one_listed_path_only(tmp_path: Path) -> None:
    put(tmp_path, "data/e\u0301 e\u0301")
    found = matched(tmp_path, "data/\u00e9 \u00e9", "data/\u00e9 e\u0301")
    assert len(found.on_disk) == 1
    assert kinds(found) == [(FindingKind.MISSING, "data/\u00e9 e\u0301")]


@need_cases
def test_a_name_in_another_case_is_another_file_where_the_file_system_says_so(tmp_path: Path) -> None:
    put(tmp_path, "data/LIGHT.FITS")
    assert kinds(matched(tmp_path, "data/light.fits")) == [(FindingKind.MISSING, "data/light.fits")]


def test_a_name_in_another_case_is_the_file_where_the_file_system_takes_both_for_one(tmp_path: Path) -> None:
    put(tmp_path, "data/LIGHT.FITS")
    # What a file system that does not tell cases apart would show: the listed name leads to the same file.
    contents = survey(tmp_path, ("data",))
    if not (tmp_path / "data/light.fits").exists():
        os.link(tmp_path / "data/LIGHT.FITS", tmp_path / "data/light.fits")
    manifest = Manifest("manifest-sha256.txt", SHA256, {"data/light.fits": b""}, {})
    assert match(tmp_path, manifest, contents, {}).on_disk == {"data/light.fits": "data/LIGHT.FITS"}


@pytest.mark.parametrize("on_disk", ["data/50% a.fits", "data/50%25 a.fits"])
def test_a_percent_sign_is_found_whichever_habit_the_writer_had(tmp_path: Path, on_disk: str) -> None:
    put(tmp_path, on_disk)
    found = matched(tmp_path, "data/50% a.fits", written={"data/50% a.fits": "data/50%25 a.fits"})
    assert found.on_disk == {"data/50% a.fits": on_disk}


@need_links
def test_a_link_inside_the_bag_is_followed_and_one_to_outside_is_malformed(tmp_path: Path) -> None:
    bag = tmp_path / "bag"
    put(bag, "data/real")
    put(tmp_path, "bag-evil/x")
    (bag / "data" / "good").symlink_to("real")
    (bag / "data" / "evil").symlink_to(tmp_path / "bag-evil" / "x")
    (bag / "data" / "folder").symlink_to(tmp_path / "bag-evil")
    (bag / "data" / "lost").symlink_to("nowhere")
    (bag / "data" / "circle").symlink_to("circle")
    found = matched(bag, "data/good", "data/evil", "data/folder/x", "data/lost", "data/circle")
    assert found.on_disk == {"data/good": "data/good"}
    assert found.through_links == {"data/good": (bag / "data" / "real").resolve()}
    assert kinds(found) == [
        (FindingKind.MALFORMED, "data/evil"),
        (FindingKind.MALFORMED, "data/folder/x"),
        (FindingKind.MISSING, "data/lost"),
        (FindingKind.UNREADABLE, "data/circle"),
    ]


@need_pipes
def test_a_listed_fifo_is_malformed(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    os.mkfifo(tmp_path / "data" / "fifo")
    assert kinds(matched(tmp_path, "data/fifo")) == [(FindingKind.MALFORMED, "data/fifo")]


def test_a_file_that_can_be_fetched_is_missing_and_its_address_said(tmp_path: Path) -> None:
    (finding,) = matched(tmp_path, "data/far").findings
    assert finding.kind is FindingKind.MISSING
    assert finding.detail == "to be fetched from https://example.org/far"


@need_every_name
@pytest.mark.parametrize("path", ["data/a\\b", "data/NUL", "data/con.fits"])
def test_a_suspicious_name_is_malformed_unless_the_folder_lists_exactly_it(tmp_path: Path, path: str) -> None:
    (tmp_path / "data").mkdir()
    assert kinds(matched(tmp_path, path)) == [(FindingKind.MALFORMED, path)]
    put(tmp_path, path)
    assert matched(tmp_path, path).on_disk == {path: path}


def test_what_lies_in_a_folder_that_cannot_be_read_is_unreadable_and_not_missing(tmp_path: Path) -> None:
    contents = survey(tmp_path / "gone", ("data",))
    manifest = Manifest("manifest-sha256.txt", SHA256, {"data/a": b""}, {})
    found = match(tmp_path / "gone", manifest, contents, {})
    assert kinds(found) == [(FindingKind.UNREADABLE, "data/a")]


@need_pipes
def test_each_refusal_says_why_and_which_manifest_named_it(tmp_path: Path) -> None:
    bag = tmp_path / "bag"
    put(bag, "data/real")
    put(tmp_path, "outside")
    os.mkfifo(bag / "data" / "fifo")
    (bag / "data" / "evil").symlink_to(tmp_path / "outside")
    (bag / "data" / "pipe").symlink_to("fifo")
    (bag / "data" / "lost").symlink_to("nowhere")
    (bag / "data" / "circle").symlink_to("circle")
    listed = ("data/evil", "data/pipe", "data/lost", "data/circle", "data/fifo", "data/NUL", "data/absent")
    said = {finding.path: finding.detail for finding in matched(bag, *listed).findings}
    assert said == {
        "data/evil": "is a link that leads out of the bag: it was not opened (manifest-sha256.txt)",
        "data/pipe": "is not an ordinary file: it was not opened (manifest-sha256.txt)",
        "data/lost": "is a link that leads nowhere",
        "data/circle": os.strerror(errno.ELOOP),
        "data/fifo": "is not an ordinary file: it was not opened",
        "data/NUL": "names a device of some systems, and no file here is called so (manifest-sha256.txt)",
        "data/absent": "",
    }


def test_what_could_not_be_looked_at_is_said_in_the_system_s_words(tmp_path: Path) -> None:
    contents = survey(tmp_path / "gone", ("data",))
    manifest = Manifest("manifest-sha256.txt", SHA256, {"data/a": b""}, {})
    (finding,) = match(tmp_path / "gone", manifest, contents, {}).findings
    with pytest.raises(FileNotFoundError) as said:
        os.scandir(tmp_path / "gone" / "data")
    assert finding.detail == said.value.strerror


@need_every_name
def test_on_windows_a_name_that_is_there_but_means_another_file_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Opening `CON` there opens the console, whatever the folder lists."""
    put(tmp_path, "data/CON", "data/light.fits")
    contents = survey(tmp_path, ("data",))
    digests = {"data/CON": b"", "data/light.fits": b""}
    manifest = Manifest("manifest-sha256.txt", SHA256, digests, {})
    monkeypatch.setattr(os, "name", "nt")
    found = match(tmp_path, manifest, contents, {})
    monkeypatch.undo()
    assert found.on_disk == {"data/light.fits": "data/light.fits"}
    assert [(one.kind, one.path, one.detail) for one in found.findings] == [
        (
            FindingKind.MALFORMED,
            "data/CON",
            "names a device of some systems: it was not opened (manifest-sha256.txt)",
        )
    ]
