import hashlib
import importlib.metadata
import io
import re
import tracemalloc
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import BinaryIO

import pytest
from hypothesis import given
from hypothesis import strategies as st

from manifests.bags.bag import ENTRIES, MANIFEST, PAYLOAD_XXH128, TAG_MANIFEST, BagWriter, read_bag
from manifests.bags.digests import Digests, digest_blocks
from manifests.bags.entries import Entry, read_entries


def entry(path: str, content: bytes = b"abc") -> Entry:
    return Entry(
        path=path,
        size_bytes=len(content),
        digests=digest_blocks([content]),
        modified_ns=1_773_500_000_000_000_001,
        source="camera",
        original="light 1.fits",
        night=date(2026, 3, 14),
    )


class Kept(io.BytesIO):
    """A file in memory that can still be read once it is closed."""

    content = b""

    def close(self) -> None:
        if not self.closed:
            self.content = self.getvalue()
        super().close()


class Files(dict[str, Kept]):
    def create(self, name: str) -> BinaryIO:
        return self.setdefault(name, Kept())

    def text(self, name: str) -> str:
        return self[name].content.decode()


def written(*entries: Entry, info: dict[str, str] | None = None, **others: str) -> Files:
    files = Files()
    writer = BagWriter(files.create, info or {})
    for one in entries:
        writer.add(one)
    writer.close(others)
    return files


def test_each_entry_is_one_line_in_each_list() -> None:
    files = written(entry("data/camera/a b.fits"), entry("data/camera/é.fits", b"abd"))
    digests = digest_blocks([b"abc"])
    assert files.text(MANIFEST).splitlines()[0] == f"{digests.sha256}  data/camera/a b.fits"
    assert files.text(PAYLOAD_XXH128).splitlines()[0] == f"{digests.xxh128}  data/camera/a b.fits"
    assert len(files.text(PAYLOAD_XXH128).splitlines()) == 2
    assert [one.path for one in read_entries(files[ENTRIES].content.splitlines(keepends=True))] == [
        "data/camera/a b.fits",
        "data/camera/é.fits",
    ]


def test_close_gives_the_digest_of_every_file_that_was_written_and_closes_it() -> None:
    files = Files()
    writer = BagWriter(files.create, {})
    writer.add(entry("data/a"))
    digests = writer.close()
    assert digests == {name: hashlib.sha256(file.content).hexdigest() for name, file in files.items()}
    assert all(file.closed for file in files.values())
    assert set(digests) == {
        "bagit.txt",
        "bag-info.txt",
        "manifest-sha256.txt",
        "tagmanifest-sha256.txt",
        "nightferry/entries.jsonl",
        "nightferry/payload-xxh128.txt",
    }


def test_the_tag_manifest_lists_every_other_tag_file_and_not_itself() -> None:
    files = written(entry("data/a"), **{"nightferry/acknowledgement-1.json": "a" * 64})
    listed = {line[66:] for line in files.text(TAG_MANIFEST).splitlines()}
    assert listed == set(files) - {TAG_MANIFEST} | {"nightferry/acknowledgement-1.json"}


@pytest.mark.parametrize(
    ("path", "sha256"),
    [
        ("data/a", "a" * 64),
        ("tagmanifest-md5.txt", "a" * 64),
        ("../a", "a" * 64),
        ("a//b", "a" * 64),
        (MANIFEST, "a" * 64),
        ("ok.json", "a" * 63),
        ("ok.json", "A" * 64),
    ],
)
def test_another_tag_file_that_no_tag_manifest_may_list_is_refused(path: str, sha256: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        written(entry("data/a"), **{path: sha256})


@pytest.mark.parametrize(
    "path",
    ["a", "data", "data/", "data/../a", "/data/a", "data//a", "data/./a", "./data/a", "data/\udcff", ""],
)
def test_a_path_that_no_reader_should_follow_is_refused_before_anything_is_written(path: str) -> None:
    files = Files()
    writer = BagWriter(files.create, {})
    with pytest.raises(ValueError, match=r".+"):
        writer.add(entry(path))
    writer.close()
    assert {files[name].content for name in (MANIFEST, PAYLOAD_XXH128, ENTRIES)} == {b""}


def test_a_line_break_or_percent_sign_in_a_path_is_encoded_in_both_lists() -> None:
    files = written(entry("data/100%\r\n.fits"))
    for name in (MANIFEST, PAYLOAD_XXH128):
        assert files.text(name).endswith("  data/100%25%0D%0A.fits\n")


def test_bag_info_counts_the_payload_and_says_when_and_by_what() -> None:
    info = written(entry("data/a", b"12345"), entry("data/b", b"678")).text("bag-info.txt").splitlines()
    assert "Payload-Oxum: 8.2" in info
    assert f"Bagging-Date: {date.today().isoformat()}" in info  # noqa: DTZ011
    assert any(line.startswith("Bag-Software-Agent: nightferry") for line in info)


def test_what_is_given_for_bag_info_comes_first_and_takes_the_place_of_what_is_added() -> None:
    given_ = {"External-Description": "Frames of one night", "bagging-date": "2026-03-15"}
    lines = written(info=given_).text("bag-info.txt").splitlines()
    assert lines[:2] == ["External-Description: Frames of one night", "bagging-date: 2026-03-15"]
    assert not any(line.startswith("Bagging-Date") for line in lines)


@pytest.mark.parametrize(
    "info", [{"Payload-Oxum": "1.1"}, {"payload-oxum": "1.1"}, {"A\nB": "x"}, {"A:": "x"}]
)
def test_bag_info_that_would_lie_or_break_is_refused_before_a_file_is_made(info: dict[str, str]) -> None:
    files = Files()
    with pytest.raises(ValueError, match=r".+"):
        BagWriter(files.create, info)
    assert files == {}


@given(st.text())
def test_no_value_smuggles_a_label_into_bag_info(value: str) -> None:
    text = written(info={"Contact-Name": value}).text("bag-info.txt")
    labels = [line.partition(":")[0] for line in text.split("\n") if line and not line.startswith(" ")]
    assert labels == ["Contact-Name", "Bagging-Date", "Bag-Software-Agent", "Payload-Oxum"]


def test_what_is_written_is_read_back_as_it_was_meant(tmp_path: Path) -> None:
    def create(name: str) -> BinaryIO:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        return (tmp_path / name).open("wb", buffering=0)

    (tmp_path / "data").mkdir()
    writer = BagWriter(create, {"Source-Organization": "The hill"})
    writer.add(entry("data/100%\n.fits"))
    writer.close()
    bag = read_bag(tmp_path)
    assert bag.malformed == ()
    assert dict(bag.manifests[0].digests) == {"data/100%\n.fits": hashlib.sha256(b"abc").digest()}
    assert bag.oxum == (3, 1)


class Short(io.BytesIO):
    """A file that takes three bytes at a time, as a raw file may."""

    def write(self, content: bytes) -> int:  # type: ignore[override]
        return super().write(bytes(content[:3]))


def test_a_file_that_takes_less_than_it_is_given_gets_the_rest() -> None:
    files: dict[str, bytes] = {}

    def create(name: str) -> BinaryIO:
        file = Short()
        real_close = file.close

        def close() -> None:
            files[name] = file.getvalue()
            real_close()

        file.close = close  # type: ignore[method-assign]
        return file

    writer = BagWriter(create, {})
    writer.add(entry("data/a"))
    for name, digest in writer.close().items():
        assert hashlib.sha256(files[name]).hexdigest() == digest
    assert files["bagit.txt"] == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


class Nowhere(io.RawIOBase):
    def writable(self) -> bool:
        return True

    def write(self, content: bytes) -> int:  # type: ignore[override]
        return len(content)


def peak_of(count: int) -> int:
    create: Callable[[str], BinaryIO] = lambda name: Nowhere()  # type: ignore[assignment, return-value]  # noqa: E731
    writer = BagWriter(create, {})
    digests = Digests("0" * 64, "0" * 32)
    tracemalloc.start()
    try:
        for number in range(count):
            path = f"data/camera/light {number:06d}.fits"
            writer.add(Entry(path, 1, digests, 1, "camera", path, date(2026, 3, 14)))
        writer.close()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_memory_does_not_grow_with_the_number_of_entries() -> None:
    peak_of(10)
    assert peak_of(5000) < 1.5 * peak_of(500) + 100_000


def test_a_payload_manifest_of_another_algorithm_that_the_bag_has_is_listed() -> None:
    files = written(entry("data/a"), **{"manifest-md5.txt": "b" * 64})
    assert f"{'b' * 64}  manifest-md5.txt" in files.text(TAG_MANIFEST).splitlines()


@pytest.mark.parametrize(
    ("path", "sha256", "why"),
    [
        ("data/a", "a" * 64, "no tag manifest lists 'data/a'"),
        ("tagmanifest-md5.txt", "a" * 64, "no tag manifest lists 'tagmanifest-md5.txt'"),
        (MANIFEST, "a" * 64, "written here, so not to be given: ['manifest-sha256.txt']"),
        ("bagit.txt", "a" * 64, "written here, so not to be given: ['bagit.txt']"),
        ("ok.json", "a" * 65, f"not a SHA-256 digest: '{'a' * 65}'"),
        ("./ok.json", "a" * 64, "not a path for a bag (not in its plainest form): './ok.json'"),
        ("a/./b", "a" * 64, "not a path for a bag (not in its plainest form): 'a/./b'"),
        ("a/", "a" * 64, "not a path for a bag (not in its plainest form): 'a/'"),
        ("/a", "a" * 64, "not a path for a bag (is absolute): '/a'"),
    ],
)
def test_what_is_wrong_with_another_tag_file_is_said(path: str, sha256: str, why: str) -> None:
    with pytest.raises(ValueError, match=re.escape(why)):
        written(entry("data/b"), **{path: sha256})


def test_a_file_outside_the_payload_is_named_as_such() -> None:
    with pytest.raises(ValueError, match="not in the payload: 'database/a'"):
        BagWriter(Files().create, {}).add(entry("database/a"))


def test_the_agent_is_named_with_its_version_and_without_where_it_is_not_installed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def agent() -> str:
        lines = written(entry("data/a")).text("bag-info.txt").splitlines()
        return next(line for line in lines if line.startswith("Bag-Software-Agent"))

    def not_installed(name: str) -> str:
        raise importlib.metadata.PackageNotFoundError(name)

    monkeypatch.setattr(importlib.metadata, "version", lambda name: {"nightferry": "3.14"}[name])
    assert agent() == "Bag-Software-Agent: nightferry 3.14"
    monkeypatch.setattr(importlib.metadata, "version", not_installed)
    assert agent() == "Bag-Software-Agent: nightferry"
