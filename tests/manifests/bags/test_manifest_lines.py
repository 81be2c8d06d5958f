import hashlib
import json

import pytest

from manifests.bags.declared import Faults, Manifest
from manifests.bags.manifest_lines import read_fetch, read_journal, read_manifest
from manifests.bags.paths import MANIFEST_NAME, Version
from manifests.bags.tag_lines import Line

DIGEST = hashlib.sha256(b"abc").hexdigest()
OTHER = hashlib.sha256(b"abd").hexdigest()


def read(
    *lines: str, name: str = "manifest-sha256.txt", version: Version = (1, 0)
) -> tuple[Manifest, dict[int, str]]:
    faults = Faults(name)
    manifest = read_manifest(name, (Line(n, line) for n, line in enumerate(lines, 1)), version, faults)
    return manifest, {fault.line: fault.reason for fault in faults.all()}


@pytest.mark.parametrize(
    "line",
    [
        f"{DIGEST}  data/a b",
        f"{DIGEST} data/a b",
        f"{DIGEST}\tdata/a b",
        f"{DIGEST} \t data/a b",
        f"{DIGEST} *data/a b",
        f"{DIGEST}  ./data/a b",
        f"{DIGEST}  data//./a b",
        f"{DIGEST.upper()}  data/a b",
    ],
)
def test_each_way_of_writing_a_line_gives_the_same_path_and_digest(line: str) -> None:
    manifest, faults = read(line)
    assert dict(manifest.digests) == {"data/a b": bytes.fromhex(DIGEST)}
    assert faults == {}


def test_spaces_at_the_end_of_a_name_belong_to_it() -> None:
    assert list(read(f"{DIGEST}  data/a ")[0].digests) == ["data/a "]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (DIGEST, "not 'digest path'"),
        (f"{DIGEST}  ", "not 'digest path'"),
        ("# a comment", "not hexadecimal"),
        ("x data/a", "not hexadecimal"),
        (f"{DIGEST[:-1]}  data/a", "not hexadecimal"),
        (f"{DIGEST[:-2]}  data/a", "wrong length"),
        (f"{DIGEST}00  data/a", "wrong length"),
        (f"\\{DIGEST}  data/a", "not hexadecimal"),
        (f"{DIGEST}  data/../../a", "climbs out"),
        (f"{DIGEST}  ../night-evil/a", "climbs out"),
        (f"{DIGEST}  /etc/passwd", "absolute"),
        (f"{DIGEST}  ~/a", "home folder"),
        (f"{DIGEST}  C:\\a", "drive letter"),
        (f"{DIGEST}  \\\\?\\C:\\a", "absolute"),
        (f"{DIGEST}  data/a\0b", "NUL"),
        (f"{DIGEST}  data/a/", "names a folder"),
        (f"{DIGEST}  data", "lies outside"),
        (f"{DIGEST}  bagit.txt", "lies outside"),
        (f"{DIGEST}  database/a", "lies outside"),
    ],
)
def test_a_malformed_line_is_a_fact_with_its_number_and_lists_nothing(line: str, reason: str) -> None:
    manifest, faults = read(f"{DIGEST}  data/first", line, f"{DIGEST}  data/last")
    assert list(manifest.digests) == ["data/first", "data/last"]
    assert list(faults) == [2]
    assert reason in faults[2]


def test_an_empty_line_lists_nothing_and_hides_nothing() -> None:
    assert read("", f"{DIGEST}  data/a", "  ")[1] == {}


def test_a_line_that_could_not_be_read_is_a_fact() -> None:
    faults = Faults("manifest-sha256.txt")
    read_manifest("manifest-sha256.txt", [Line(1, "", "is too long")], (1, 0), faults)
    assert faults.all()[0].reason == "is too long"


def test_a_path_listed_twice_is_a_fault_since_version_1() -> None:
    assert "same digest" in read(f"{DIGEST} data/a", f"{DIGEST} data/a")[1][2]
    assert read(f"{DIGEST} data/a", f"{DIGEST} data/a", version=(0, 97))[1] == {}


@pytest.mark.parametrize("version", [(0, 97), (1, 0)])
def test_a_path_listed_with_two_digests_is_a_fault_in_every_version(version: Version) -> None:
    manifest, faults = read(f"{DIGEST} data/a", f"{OTHER} data/a", version=version)
    assert "another digest" in faults[2]
    assert manifest.digests["data/a"] == bytes.fromhex(DIGEST)


def test_an_encoded_path_is_decoded_and_its_spelling_kept() -> None:
    manifest, _ = read(f"{DIGEST} data/a%0Ab%25")
    assert list(manifest.digests) == ["data/a\nb%"]
    assert manifest.as_written == {"data/a\nb%": "data/a%0Ab%25"}


def test_an_algorithm_nobody_has_is_said_and_its_paths_are_still_listed() -> None:
    manifest, faults = read("00ff data/a", name="manifest-xyz.txt")
    assert manifest.algorithm is None
    assert list(manifest.digests) == ["data/a"]
    assert "not compared" in faults[0]


@pytest.mark.parametrize("path", ["data/a", "tagmanifest-sha256.txt", "tagmanifest-md5.txt"])
def test_a_tag_manifest_lists_neither_payload_nor_tag_manifests(path: str) -> None:
    manifest, faults = read(f"{DIGEST}  {path}", f"{DIGEST}  manifest-md5.txt", name="tagmanifest-sha256.txt")
    assert list(manifest.digests) == ["manifest-md5.txt"]
    assert list(faults) == [1]


def test_a_thousand_faults_are_kept_and_the_rest_counted() -> None:
    faults = Faults("manifest-sha256.txt")
    read_manifest("manifest-sha256.txt", (Line(n, "x") for n in range(1, 5001)), (1, 0), faults)
    assert len(faults.all()) == 1001
    assert faults.all()[-1].reason.startswith("4000 more")


def fetch(*lines: str, version: Version = (1, 0)) -> tuple[dict[str, str], list[int]]:
    faults = Faults("fetch.txt")
    manifests = [read(f"{DIGEST} data/a", f"{DIGEST} data/b")[0], read(f"{DIGEST} data/a")[0]]
    numbered = [Line(n, line) for n, line in enumerate(lines, 1)]
    return dict(read_fetch(numbered, version, manifests, faults)), [fault.line for fault in faults.all()]


def test_fetch_lists_where_files_may_be_had() -> None:
    assert fetch("https://example.org/a 3 data/a") == ({"data/a": "https://example.org/a"}, [])
    assert fetch("https://example.org/a - data/a")[1] == []


@pytest.mark.parametrize(
    "line", ["https://example.org/a data/a", "u 3 ../a", "u 3 bagit.txt", "u three data/a", "u 3 data/b"]
)
def test_a_malformed_line_of_fetch_is_a_fact(line: str) -> None:
    assert fetch(line)[1] == [1]


def test_before_version_1_one_manifest_suffices_for_fetch() -> None:
    assert fetch("u 3 data/b", version=(0, 97))[1] == []
    assert fetch("u 3 data/c", version=(0, 97))[1] == [1]


def test_a_journal_cut_short_by_a_power_cut_keeps_its_whole_lines() -> None:
    line = (
        b'{"path":"data/a","size_bytes":3,"sha256":"' + DIGEST.encode() + b'","xxh128":"00","modified_ns":1,'
        b'"source":"s","original":"a","night":"2026-03-14"}\n'
    )
    faults = Faults("nightferry/journal.jsonl")
    journal = read_journal([line, line.replace(b"data/a", b"../a"), b"zzz\n", line[:40]], faults)
    assert dict(journal.digests) == {"data/a": bytes.fromhex(DIGEST)}
    assert [fault.line for fault in faults.all()] == [2, 3]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (f" {DIGEST}  data/a", "is not 'digest path'"),
        (f"\t{DIGEST}  data/a", "is not 'digest path'"),
        (f"{'zz' * 32}  data/a", "the digest of 'data/a' is not hexadecimal"),
        (
            f"{DIGEST}  data/../a/../../b",
            "the path 'data/../a/../../b' climbs out of its folder: it was not followed",
        ),
        (f"{DIGEST}  bagit.txt", "'bagit.txt' lies outside data/"),
        (f"{DIGEST}00  data/a", "the digest of 'data/a' has the wrong length for sha256"),
    ],
)
def test_what_is_wrong_with_a_line_is_said(line: str, reason: str) -> None:
    assert read(line)[1] == {1: reason}


@pytest.mark.parametrize(
    ("written", "path"),
    [
        ("*data/a", "data/a"),
        ("data//a", "data/a"),
        ("data/./a", "data/a"),
        ("./data/a", "data/a"),
        ("data/a/./b//c", "data/a/b/c"),
        ("data/.a", "data/.a"),
        ("data/*a", "data/*a"),
    ],
)
def test_a_path_is_taken_in_its_plainest_form_and_no_further(written: str, path: str) -> None:
    manifest, faults = read(f"{DIGEST} {written}")
    assert (list(manifest.digests), faults) == ([path], {})


def test_only_the_first_asterisk_is_the_mark_of_a_binary_file() -> None:
    manifest, faults = read(f"{DIGEST} **manifest-md5.txt", name="tagmanifest-sha256.txt")
    assert (list(manifest.digests), faults) == (["*manifest-md5.txt"], {})


@pytest.mark.parametrize(
    ("name", "is_one"),
    [
        ("manifest-md5.txt", True),
        ("tagmanifest-md5.txt", True),
        ("tagtagmanifest-md5.txt", False),
        ("manifest-.txt", False),
        ("manifest-md5_txt", False),
        ("manifest-md5.txt.bak", False),
        ("xmanifest-md5.txt", False),
    ],
)
def test_a_manifest_is_known_by_its_whole_name(name: str, is_one: bool) -> None:
    assert (MANIFEST_NAME.fullmatch(name) is not None) == is_one


@pytest.mark.parametrize(
    "line", ["u  3 data/a", "u 3  data/a", "u\t31 \tdata/a", "u - data/a", "u 0 ./data/a"]
)
def test_each_way_of_writing_a_line_of_fetch_is_read(line: str) -> None:
    assert fetch(line) == ({"data/a": "u"}, [])


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("u u 3 data/a", "is not 'URL length path'"),
        (" 3 data/a", "is not 'URL length path'"),
        ("u,3 data/a", "is not 'URL length path'"),
        ("u  data/a", "is not 'URL length path'"),
        ("u   data/a", "is not 'URL length path'"),
        ("u 3data/a", "is not 'URL length path'"),
        ("u 3 ", "is not 'URL length path'"),
        ("u -3 data/a", "is not 'URL length path'"),
        ("u 3 ../a", "the path '../a' climbs out of its folder: it was not followed"),
        ("u 3 bagit.txt", "'bagit.txt' lies outside data/"),
    ],
)
def test_a_line_of_fetch_that_cannot_be_followed_gives_no_address_and_hides_no_other(
    line: str, reason: str
) -> None:
    faults = Faults("fetch.txt")
    manifests = [read(f"{DIGEST} data/a")[0]]
    found = read_fetch([Line(1, line), Line(2, "v 3 data/a")], (1, 0), manifests, faults)
    assert [(fault.line, fault.reason) for fault in faults.all()] == [(1, reason)]
    assert dict(found) == {"data/a": "v"}


@pytest.mark.parametrize(
    ("path", "reason"),
    [
        ("../a", "the path '../a' climbs out of its folder: it was not followed"),
        ("nightferry/a", "'nightferry/a' lies outside data/"),
        ("data/a/", "the path 'data/a/' names a folder"),
    ],
)
def test_a_journal_s_line_that_cannot_be_followed_lists_nothing_and_says_why(path: str, reason: str) -> None:
    facts = {"path": path, "size_bytes": 3, "sha256": DIGEST, "xxh128": "00", "modified_ns": 1}
    line = json.dumps(facts | {"source": "s", "original": "a", "night": "2026-03-14"})
    faults = Faults("nightferry/journal.jsonl")
    journal = read_journal([f"{line}\n".encode()], faults)
    assert dict(journal.digests) == {}
    assert [fault.reason for fault in faults.all()] == [reason]
