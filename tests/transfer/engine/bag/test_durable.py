"""Small files survive a power cut at any instant: the order of acts, and that none of them is left out."""

import errno
import hashlib
import os

import pytest

from transfer.engine.bag.durable import NotAsWritten, TagFileSet, prove_small_files, try_again, write_durably
from transfer.engine.medium import this_computer

TAGS = ("bagit.txt", "manifest-sha256.txt", "nightferry/entries.jsonl", "tagmanifest-sha256.txt")
CHANGING = ("create_file", "flush_files", "flush_folders", "replace", "remove", "chill", "cold")


class Recorded:
    """A pinned folder that keeps what it was asked to do; `meddle` is called with each act before it."""

    def __init__(self, folder, meddle=lambda *act: None):
        self._folder = folder
        self._meddle = meddle
        self.acts = []
        self.descriptors = []

    def __getattr__(self, name):
        does = getattr(self._folder, name)
        return self._recorded(name, does) if name in CHANGING else does

    def _recorded(self, name, does):
        def act(*items):
            told = tuple(len(item) if name == "flush_files" else item for item in items)
            self._meddle(name, *told)
            self.acts.append((name, *told))
            given = does(*items)
            if name == "create_file":
                self.descriptors.append(given)
            return given

        return act

    def names(self, *kinds):
        return [act for act in self.acts if act[0] in kinds]


@pytest.fixture
def pinned(tmp_path):
    folder = this_computer().pin(tmp_path)
    yield folder
    folder.close()


def sha256(content):
    return hashlib.sha256(content).hexdigest()


def are_closed(descriptors):
    def is_open(descriptor):
        try:
            os.fstat(descriptor)
        except OSError:
            return False
        return True

    return not any(is_open(descriptor) for descriptor in descriptors)


# One small file


def test_a_small_file_is_flushed_before_it_has_its_name_and_read_back_after(pinned, tmp_path):
    folder = Recorded(pinned)
    pinned.make_folders("night")
    write_durably(folder, "night/receipt.txt", b"all is well")
    assert folder.acts == [
        ("create_file", "night/receipt.txt.part"),
        ("flush_files", 1),
        ("replace", "night/receipt.txt.part", "night/receipt.txt"),
        ("flush_folders", ["night"]),
        ("chill",),
        ("cold", ["night/receipt.txt"]),
        ("flush_folders", ["night"]),
    ]
    assert (tmp_path / "night" / "receipt.txt").read_bytes() == b"all is well"
    assert [path.name for path in (tmp_path / "night").iterdir()] == ["receipt.txt"]
    assert are_closed(folder.descriptors)


def test_the_content_is_whole_when_it_is_flushed(pinned, tmp_path):
    def look(name, *items):
        if name == "flush_files":
            assert (tmp_path / "mark.part").read_bytes() == b"the drive's mark"

    write_durably(Recorded(pinned, look), "mark", b"the drive's mark")


def test_what_a_dead_run_left_under_the_temporary_name_is_no_obstacle(pinned, tmp_path):
    (tmp_path / "mark.part").write_bytes(b"a longer text than the one that comes")
    (tmp_path / "mark").write_bytes(b"older")
    write_durably(pinned, "mark", b"newer")
    assert (tmp_path / "mark").read_bytes() == b"newer"
    assert not (tmp_path / "mark.part").exists()


def test_a_write_that_fails_leaves_the_older_file_and_no_descriptor(pinned, tmp_path):
    def fail(name, *items):
        if name == "flush_files":
            raise OSError(errno.ENOSPC, "No space left on device")

    (tmp_path / "mark").write_bytes(b"older")
    folder = Recorded(pinned, fail)
    with pytest.raises(OSError, match="No space") as caught:
        write_durably(folder, "mark", b"newer")
    assert caught.value.errno == errno.ENOSPC
    assert (tmp_path / "mark").read_bytes() == b"older"
    assert are_closed(folder.descriptors)


def test_after_a_failed_flush_the_whole_file_is_written_anew(pinned, tmp_path):
    flushes = []

    def fail_once(name, *items):
        if name == "flush_files":
            flushes.append(name)
            if len(flushes) == 1:
                raise OSError(errno.EIO, "Input/output error")

    folder = Recorded(pinned, fail_once)
    write_durably(folder, "mark", b"content")
    assert folder.names("create_file") == [("create_file", "mark.part")] * 2
    assert (tmp_path / "mark").read_bytes() == b"content"


def test_a_copy_that_is_not_what_was_written_is_written_anew(pinned, tmp_path):
    spoilt = []

    def spoil_once(name, *items):
        if name == "chill" and not spoilt:
            spoilt.append(name)
            (tmp_path / "mark").write_bytes(b"c0ntent")

    write_durably(Recorded(pinned, spoil_once), "mark", b"content")
    assert (spoilt, (tmp_path / "mark").read_bytes()) == (["chill"], b"content")


# Trying again


def tries_of(error):
    tries = []

    def write():
        tries.append(1)
        raise error

    with pytest.raises(type(error)) as caught:
        try_again(write)
    assert caught.value is error
    return len(tries)


@pytest.mark.parametrize(
    ("error", "tries"),
    [
        (OSError(errno.EIO, "Input/output error"), 3),
        (NotAsWritten("What was read back is not what was written"), 3),
        (OSError(errno.ENOSPC, "No space left on device"), 1),
        (OSError(errno.ENODEV, "No such device"), 1),
        (OSError(errno.EROFS, "Read-only file system"), 1),
    ],
)
def test_only_what_may_pass_is_tried_again_and_that_three_times(error, tries):
    assert tries_of(error) == tries


@pytest.mark.parametrize("failures", [0, 1, 2])
def test_a_write_that_succeeds_is_not_made_again(failures):
    tries = []

    def write():
        tries.append(1)
        if len(tries) <= failures:
            raise OSError(errno.EIO, "Input/output error")

    try_again(write)
    assert len(tries) == failures + 1


# Reading back


def test_files_are_proven_together_past_emptied_caches(pinned, tmp_path):
    (tmp_path / "a").write_bytes(b"one")
    (tmp_path / "b").write_bytes(bytes(3 << 20))
    folder = Recorded(pinned)
    prove_small_files(folder, {"a": sha256(b"one"), "b": sha256(bytes(3 << 20))})
    assert folder.acts == [("chill",), ("cold", ["a", "b"])]


@pytest.mark.parametrize("found", [b"tw0", b"tw", b"two ", b""])
def test_a_file_that_differs_ends_the_proof_with_its_path_and_a_next_step(pinned, tmp_path, found):
    (tmp_path / "a").write_bytes(b"one")
    (tmp_path / "b").write_bytes(found)
    with pytest.raises(NotAsWritten) as caught:
        prove_small_files(pinned, {"a": sha256(b"one"), "b": sha256(b"two")})
    assert caught.value.path == str(tmp_path / "b")
    assert "What was read back is not what was written" in str(caught.value)
    assert "Don't trust this drive" in caught.value.next_step


def test_a_file_that_is_not_there_is_no_proof(pinned):
    with pytest.raises(FileNotFoundError):
        prove_small_files(pinned, {"a": sha256(b"")})


# The tag files of a bag


def swapped(folder, contents=None, changed=None):
    """Write and swap in a set of tag files, of which the drive changes some."""
    contents = contents or {name: f"new {name}".encode() for name in TAGS}
    files = TagFileSet(folder, "night", "night/nightferry/incoming")
    try:
        for name, content in contents.items():
            with files.create(name) as file:
                file.write((changed or {}).get(name, content))
        files.put_in_place({name: sha256(content) for name, content in contents.items()})
    finally:
        files.close()


@pytest.fixture
def bag(pinned, tmp_path):
    pinned.make_folders("night/nightferry/incoming")
    for name in TAGS:
        (tmp_path / "night" / name).write_bytes(f"old {name}".encode())
    return tmp_path / "night"


def test_all_tag_files_are_swapped_in_and_nothing_of_them_is_left_beside(pinned, bag):
    folder = Recorded(pinned)
    swapped(folder)
    assert {name: (bag / name).read_bytes().decode() for name in TAGS} == {
        name: f"new {name}" for name in TAGS
    }
    assert list((bag / "nightferry" / "incoming").iterdir()) == []
    assert are_closed(folder.descriptors)


def test_the_order_leaves_no_instant_at_which_a_list_is_older_than_what_it_lists(pinned, bag):
    """Flush, prove, take the tag manifest away, entries, the others, the tag manifest, prove again."""
    folder = Recorded(pinned)
    swapped(folder)
    parts = [f"night/nightferry/incoming/{name.replace('/', '-')}.part" for name in TAGS]
    bagit, manifest, entries, tag_manifest = zip(parts, (f"night/{name}" for name in TAGS), strict=True)
    incoming = "night/nightferry/incoming"
    assert folder.acts == [
        *(("create_file", part) for part in parts),
        ("flush_files", 4),
        ("chill",),
        ("cold", parts),
        ("remove", "night/tagmanifest-sha256.txt"),
        ("flush_folders", ["night"]),
        ("replace", *entries),
        ("flush_folders", ["night", "night/nightferry", incoming]),
        ("replace", *bagit),
        ("replace", *manifest),
        ("flush_folders", ["night", incoming]),
        ("replace", *tag_manifest),
        ("flush_folders", ["night", incoming]),
        ("chill",),
        ("cold", [f"night/{name}" for name in TAGS]),
    ]


def test_nothing_is_swapped_where_one_of_them_reads_back_wrong(pinned, bag):
    folder = Recorded(pinned)
    with pytest.raises(NotAsWritten):
        swapped(folder, changed={"manifest-sha256.txt": b"nev manifest-sha256.txt"})
    assert {name: (bag / name).read_bytes().decode() for name in TAGS} == {
        name: f"old {name}" for name in TAGS
    }
    assert folder.names("replace", "remove") == []


def test_a_swap_that_reads_back_wrong_is_no_success(pinned, bag):
    def spoil(name, *items):
        if name == "cold" and "night/bagit.txt" in items[0]:
            (bag / "bagit.txt").write_bytes(b"new bagit.tx!")

    with pytest.raises(NotAsWritten):
        swapped(Recorded(pinned, spoil))


def test_a_bag_that_has_no_tag_files_yet_gets_them(pinned, tmp_path):
    pinned.make_folders("night/nightferry/incoming")
    swapped(pinned)
    assert (tmp_path / "night" / "tagmanifest-sha256.txt").read_bytes() == b"new tagmanifest-sha256.txt"


def test_a_part_that_a_dead_run_left_is_written_over(pinned, bag):
    (bag / "nightferry" / "incoming" / "bagit.txt.part").write_bytes(b"a much longer text than the new one")
    swapped(pinned)
    assert (bag / "bagit.txt").read_bytes() == b"new bagit.txt"


def test_a_large_list_is_written_whole_though_it_is_buffered(pinned, bag):
    large = os.urandom((2 << 20) + 7)
    swapped(pinned, dict.fromkeys(TAGS, large))
    assert (bag / "manifest-sha256.txt").read_bytes() == large


def test_files_that_were_begun_are_let_go_of_though_nothing_comes_of_them(pinned, bag):
    folder = Recorded(pinned)
    files = TagFileSet(folder, "night", "night/nightferry/incoming")
    for name in TAGS:
        files.create(name).close()
    assert not are_closed(folder.descriptors)  # closing one leaves its descriptor for the flush
    files.close()
    assert are_closed(folder.descriptors)
    files.close()


def test_each_file_is_closed_before_it_gets_its_name(pinned, bag):
    """Some systems rename no file that is open, and some tell of a lost write only as it is closed."""
    renamed = []

    def look(name, *items):
        if name == "replace":
            renamed.append(items)
            assert are_closed(folder.descriptors)

    folder = Recorded(pinned, look)
    swapped(folder)
    assert len(renamed) == len(TAGS)
