"""Run the product without one of its protections: `python -m tests.faults.without PROTECTION -- send …`.

Only the trials can reach this: each protection is one function at a seam, replaced before the command line is
called. A harness that passes without a protection has not tested it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any


class NoSuchProtection(Exception):
    """The product has no function of this name any more: taking it out would change nothing."""


def _replace(owner: Any, name: str, by: Any) -> None:
    """Replace a function of a module or class. Raises NoSuchProtection where there is none of this name."""
    if not hasattr(owner, name):
        raise NoSuchProtection(f"{owner.__name__}.{name}")
    setattr(owner, name, by)


def _nothing(*_: Any, **__: Any) -> None:
    """Do nothing."""


def _file_flush() -> None:
    from transfer.engine.medium.linux.medium import LinuxFolder

    _replace(LinuxFolder, "flush_files", _nothing)


def _flush() -> None:
    _file_flush()
    _folder_flush()


def _folder_flush() -> None:
    from transfer.engine.medium.linux.medium import LinuxFolder

    _replace(LinuxFolder, "flush_folders", _nothing)


def _last_flush() -> None:
    """Leave on a drive that may be pulled what its driver wrote when the receipt was read back."""
    from transfer.engine.bag import durable

    def write(folder: Any, path: str, content: bytes, beside: str = "") -> None:
        durable.try_again(lambda: durable._put_in_place(folder, path, content, beside))

    _replace(durable, "write_durably", write)


def _rest() -> None:
    """Leave on a drive that was only read what its driver noted of that."""
    from transfer.engine import medium, resting

    _replace(resting, "let_rest", lambda *_: None)
    _replace(medium, "flush_noted", lambda _: None)


def _eviction() -> None:
    """Read from memory, and believe that it was the medium."""
    from transfer.engine.medium.linux import cold as linux_cold

    _replace(linux_cold, "_evict", lambda *_: 0)
    linux_cold.ColdWatch.doubt = lambda _: ""  # type: ignore[method-assign]


def _length_check() -> None:
    """Take the end of what was read for the end of the file."""
    from transfer.engine.copy.source import OpenSource

    _replace(OpenSource, "_explain_the_end", _nothing)


def _device_pin() -> None:
    """Open every folder anew by its path."""
    from transfer.engine.medium.posix import PosixFolder, _OpenFolder

    def by_path(self: PosixFolder, path: str) -> _OpenFolder:
        return _OpenFolder(os.open(self.path / path, os.O_RDONLY | os.O_DIRECTORY))

    _replace(PosixFolder, "_folder", by_path)


def _digest_compare() -> None:
    """Read the copies, and take each for equal."""
    from transfer.engine.bag import readback

    def equal(_: Any, blocks: Iterator[memoryview], on_bytes: Callable[[int], None]) -> Any:
        for block in blocks:
            on_bytes(len(block))
        return readback.Outcome.EQUAL, ""

    _replace(readback, "_compare", equal)


def _manifest_reread() -> None:
    from transfer.engine.bag import durable

    _replace(durable, "prove_small_files", _nothing)


def _exclusive_create() -> None:
    from transfer.engine.medium.posix import PosixFolder

    def create(self: PosixFolder, path: str) -> int:
        folder, name = self._within(path)
        return os.open(name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666, dir_fd=folder.descriptor)

    _replace(PosixFolder, "create_file", create)


def _withdrawal() -> None:
    """Let a grown log take its older part's place while the manifest still lists that."""
    from transfer.engine.bag.open import OpenBag

    _replace(OpenBag, "withdraw", _nothing)


def _lock() -> None:
    from transfer.engine.medium.posix import PosixMedium

    _replace(PosixMedium, "lock", lambda _, path: os.open(path, os.O_RDONLY))


def _link_containment(*_: Any) -> None:
    """Follow what a manifest names, and every link, wherever it leads."""
    from manifests.bags import bag_reading, manifest_lines, matching

    def anywhere(folder: Path, path: str) -> Path:
        return folder / path

    _replace(manifest_lines, "danger", lambda _: "")
    _replace(matching, "real_file", anywhere)
    _replace(bag_reading, "real_file", anywhere)


def _path_containment() -> None:
    """File under the names that a bag gives, whatever they are, and climb where they climb."""
    from transfer.archive import layout as places
    from transfer.engine.medium.posix import _FOLDER_FLAGS, PosixFolder, _OpenFolder

    def climb(_: PosixFolder, above: _OpenFolder, name: str) -> _OpenFolder:
        return _OpenFolder(os.open(name, _FOLDER_FLAGS, dir_fd=above.descriptor))

    _replace(places, "folder_name", lambda name: name)
    _replace(places, "portable_path", lambda name: name)
    _replace(PosixFolder, "_step", climb)


def _held_against_bag() -> None:
    """File what lies on the drive, be it what its bag lists or not."""
    from transfer.jobs.file.items import Item

    _replace(Item, "differs", lambda *_: "")


def _whole_nights() -> None:
    """Acknowledge nights of which files were refused, and compare it with no manifest."""
    from transfer.jobs.file import acknowledging
    from transfer.jobs.file.account import Account

    _replace(Account, "whole", property(lambda _: True))
    _replace(acknowledging, "_require_all", _nothing)


def _last_reading() -> None:
    """Take what lies in the archive with its size for what was filed."""
    from transfer.archive.as_proven import AsProven

    def by_size(self: Any, bag: str, path: str, held: Any) -> bool:
        facts = self._folder.stat(f"{bag}/{path}")
        return facts is not None and facts.st_size == held.size_bytes

    _replace(AsProven, "_is_as_proven", by_size)


def _hash_again() -> None:
    """Delete what has the size and the time of what is proven, whatever it is."""
    from transfer.jobs.clear.deleting import Removal

    _replace(Removal, "_proven", lambda _self, going, _descriptor: going)


def _ledger() -> None:
    """Delete without a line in the ledger."""
    from transfer.engine.ledger import Ledger

    _replace(Ledger, "write", _nothing)


def _name_first() -> None:
    """Remove a night from a drive under the name of one that is whole."""
    from transfer.archive import freeing

    _replace(freeing, "being_let_go", lambda night: night.isoformat())


def _signature() -> None:
    """Believe every acknowledgement that can be read."""
    from transfer.engine import acknowledged

    _replace(acknowledged, "_is_signed", lambda *_: True)


def _moves() -> None:
    """Leave the moves of a run that died as they were when it died."""
    from transfer.archive import recovering

    _replace(recovering, "finish_moves", lambda *_: [])


def _companions() -> None:
    """Take what other systems drop for a person's own."""
    from manifests.bags import contents
    from transfer.engine import sources

    _replace(contents, "left_by_a_system", lambda *_: False)
    _replace(sources, "_was_dropped", lambda _: False)


def _companion_content() -> None:
    """Take every file that is called as a companion is for one."""
    from manifests.bags import companions

    _replace(companions, "_is_apple_double", lambda path: path.name.startswith("._"))


def _index_distrust() -> None:
    """Open whatever lies in the place of an index, and let it take as many steps as it likes."""
    from manifests.index import connecting, opening, recognising

    _replace(opening, "require_ours", _nothing)
    _replace(opening, "refuse_what_is_no_file", _nothing)
    _replace(recognising, "refuse_what_is_no_file", lambda path: path.exists())
    _replace(connecting._Steps, "__call__", lambda _: False)


def _list_bounds() -> None:
    """Read every list to its end, wherever that is."""
    from manifests.bags import inventory, list_sizes

    _replace(list_sizes.Allowance, "takes", lambda *_: True)
    _replace(inventory, "may_be_a_list_of", lambda *_: True)


def _mark_caution() -> None:
    """Open what has the name of a mark as any file is opened."""
    import io

    from transfer.engine import drive

    _replace(drive, "open_ordinary", io.FileIO)


def _usable_values() -> None:
    """Take every value for one that a list can show."""
    from manifests.bags import entries
    from manifests.index import rows

    _replace(entries, "usable_frame", lambda frame: (frame, ()))
    _replace(entries, "usable_text", lambda _, text: (text, ()))
    _replace(rows, "unusable_in", lambda _: {})
    _replace(rows, "usable_text", lambda _, text: (text, ()))
    _replace(rows, "why_unusable", lambda _: "")


PROTECTIONS: dict[str, Callable[[], None]] = {
    "flush": _flush,
    "file-flush": _file_flush,
    "folder-flush": _folder_flush,
    "last-flush": _last_flush,
    "rest": _rest,
    "eviction": _eviction,
    "length-check": _length_check,
    "device-pin": _device_pin,
    "digest-compare": _digest_compare,
    "manifest-reread": _manifest_reread,
    "exclusive-create": _exclusive_create,
    "withdrawal": _withdrawal,
    "lock": _lock,
    "link-containment": _link_containment,
    "path-containment": _path_containment,
    "held-against-bag": _held_against_bag,
    "whole-nights": _whole_nights,
    "last-reading": _last_reading,
    "hash-again": _hash_again,
    "ledger": _ledger,
    "name-first": _name_first,
    "signature": _signature,
    "moves": _moves,
    "companions": _companions,
    "companion-content": _companion_content,
    "index-distrust": _index_distrust,
    "list-bounds": _list_bounds,
    "mark-caution": _mark_caution,
    "usable-values": _usable_values,
}

# Which faults a protection is there against, on which drive each shows most surely, and in which job alone.
AGAINST: dict[str, tuple[tuple[str, ...], ...]] = {
    "flush": (("replayed", "exfat"), ("power-cut", "ext4"), ("cache-trap", "ext4")),
    "file-flush": (("cache-trap", "ext4"), ("cache-trap", "exfat"), ("replayed", "ext4")),
    "last-flush": (("replayed", "ntfs", "send"), ("replayed", "ntfs", "send-more")),
    "rest": (("replayed", "ntfs"),),
    "folder-flush": (
        ("replayed", "ntfs"),
        ("replayed", "exfat"),
        ("power-cut", "ext4"),
        ("power-cut", "exfat"),
        ("clear-drive-replayed", "exfat"),
    ),
    "eviction": (("cache-trap", "ext4"), ("cache-trap", "exfat")),
    "length-check": (("false-end", "ext4"),),
    "device-pin": (("unmounted", "ext4"), ("unmounted", "exfat")),
    "digest-compare": (("wrong-bytes", "fuse"), ("cache-trap", "ext4")),
    "manifest-reread": (("wrong-bytes", "fuse"),),
    "exclusive-create": (("planted", "ext4"),),
    "withdrawal": (("power-cut", "ext4"),),
    "lock": (("at-once", "ext4"), ("filing-at-once", "ext4"), ("filing-locks", "ext4")),
    "link-containment": (("hostile-bags", "ext4"),),
    "path-containment": (("hostile-filing", "ext4"),),
    "held-against-bag": (("killed", "ext4"),),
    "whole-nights": (("pulled", "exfat"), ("call-fails", "ext4")),
    "last-reading": (("archive-changed", "ext4"),),
    "hash-again": (("clear-killed", "ext4", "clear-changed"),),
    "ledger": (("clear-killed", "ext4"),),
    "name-first": (("clear-drive-killed", "ext4"),),
    "signature": (("clear-forged", "ext4"),),
    "moves": (("amend-killed", "ext4"),),
    "companions": (("companions", "ext4"),),
    "companion-content": (("companions", "ext4"),),
    "index-distrust": (("hostile-index", "ext4"),),
    "list-bounds": (("large-lists", "ext4"),),
    "mark-caution": (("strangers-stick", "ext4"),),
    "usable-values": (("hostile-filing", "ext4"),),
}

if __name__ == "__main__":
    protection = sys.argv[1]
    PROTECTIONS[protection]()
    sys.argv = ["nightferry", *sys.argv[3:]]
    from transfer.cli.main import main

    main()
