"""Damage to a drive that lay in a drawer: bits, blocks, lengths, names, lists."""

from __future__ import annotations

import atexit
import os
import random
import shutil
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from tests.faults.jobs import flip_bit
from tests.faults.judge import (
    Ran,
    bags_on,
    fingerprint,
    listed,
    require,
    require_ended,
    require_listed_there,
)
from tests.faults.scene import Scene
from tests.faults.trials import Fault, NotMade, Trial, drive_scene, telling, unmount
from tests.support.volumes import KINDS, Volume

_BLOCK_BYTES = 512
_TAG_MANIFEST = "tagmanifest-sha256.txt"
_TAG_FILES = (
    "bagit.txt",
    "bag-info.txt",
    "manifest-sha256.txt",
    _TAG_MANIFEST,
    "nightferry/payload-xxh128.txt",
    "nightferry/entries.jsonl",
)


@dataclass(frozen=True)
class Done:
    """What was done to a bag: in words, and the paths of which a check has to name one."""

    what: str
    named: tuple[str, ...]


@dataclass(frozen=True)
class Pristine:
    """A scene whose drive holds, and a copy of everything in it to begin each trial with."""

    scene: Scene
    drive: Volume
    copy: Path

    def restore(self) -> None:
        """Put the drive and the computer's records back as they were."""
        unmount(self.drive)
        shutil.copyfile(self.copy / "image", self.drive.image)
        self.drive.mount_again()
        shutil.rmtree(self.scene.computer.records)
        shutil.copytree(self.copy / "records", self.scene.computer.records)


_SHARED: list[ExitStack] = []


def let_go_of_shared_drives() -> None:
    """Take down the drives that the trials of this process share: later tests would find them connected."""
    while _SHARED:
        _SHARED.pop().close()
    pristine.cache_clear()


Scenes = Callable[[Trial], AbstractContextManager[tuple[Scene, Volume]]]


@cache
def pristine(fault: str, on: str, scenes: Scenes) -> Pristine:
    """Make a drive that holds; all trials of the process share it, and its end takes it down."""
    held = ExitStack()
    atexit.register(held.close)
    _SHARED.append(held)
    scene, drive = held.enter_context(scenes(Trial(fault, on, 0, 0)))
    root = scene.root
    scene.begin_session()
    ran = scene.send()
    require_ended(ran, "the send", 0)
    unmount(drive)
    shutil.copytree(scene.computer.records, root / "copy/records")
    shutil.copyfile(drive.image, root / "copy/image")
    drive.mount_again()
    return Pristine(scene, drive, root / "copy")


# What can be done to files


def _bit(path: Path, dice: random.Random) -> None:
    flip_bit(path, dice.randrange(path.stat().st_size), dice.randrange(8))


def _zeroed(path: Path, dice: random.Random) -> None:
    with path.open("r+b") as file:
        at = dice.randrange(-(-path.stat().st_size // _BLOCK_BYTES)) * _BLOCK_BYTES
        file.seek(at)
        file.write(bytes(min(_BLOCK_BYTES, path.stat().st_size - at)))


def _cut(path: Path, dice: random.Random) -> None:
    os.truncate(path, dice.randrange(path.stat().st_size))


def _longer(path: Path, dice: random.Random) -> None:
    with path.open("ab") as file:
        file.write(dice.randbytes(dice.randrange(1, 5000)))


def _removed(path: Path, dice: random.Random) -> None:
    path.unlink()


def _renamed(path: Path, dice: random.Random) -> None:
    path.rename(path.with_name(f"moved {path.name}"))


def _put(path: Path, content: bytes) -> None:
    """Return a file another content; fusefat lets no file be emptied."""
    path.unlink()
    path.write_bytes(content)


def _line_removed(path: Path, dice: random.Random) -> None:
    lines = path.read_bytes().splitlines(keepends=True)
    del lines[dice.randrange(len(lines))]
    _put(path, b"".join(lines))


def _line_doubled(path: Path, dice: random.Random) -> None:
    lines = path.read_bytes().splitlines(keepends=True)
    _put(path, b"".join([*lines, dice.choice(lines)]))


def _digests_swapped(path: Path, dice: random.Random) -> None:
    lines = path.read_bytes().splitlines(keepends=True)
    one, other = dice.sample(range(len(lines)), 2)
    head, tail = lines[one][:32], lines[other][:32]
    lines[one], lines[other] = tail + lines[one][32:], head + lines[other][32:]
    _put(path, b"".join(lines))


_TO_PAYLOAD = (_bit, _bit, _bit, _zeroed, _zeroed, _cut, _longer, _removed, _renamed)
_TO_LISTS = (_bit, _bit, _bit, _zeroed, _cut, _longer, _removed, _renamed, _line_removed, _line_doubled)


def damage(bag: Path, dice: random.Random) -> Done:
    """Do one thing to a bag."""
    act = dice.choice((_to_payload, _to_payload, _to_list, _to_list, _add, _swap))
    return act(bag, dice)


def _to_payload(bag: Path, dice: random.Random) -> Done:
    path = dice.choice(sorted(p for p in (bag / "data").rglob("*") if p.is_file() and p.stat().st_size))
    act = dice.choice(_TO_PAYLOAD)
    name = path.relative_to(bag).as_posix()
    return _done(act, path, name, (name,), dice)


def _to_list(bag: Path, dice: random.Random) -> Done:
    name = dice.choice(_TAG_FILES)
    acts = (*_TO_LISTS, _digests_swapped) if "sha256" in name or "xxh" in name else _TO_LISTS
    # The list itself, or what it says of a file, has to be named.
    return _done(dice.choice(acts), bag / name, name, (name.rpartition("/")[2], "data/", bag.name), dice)


def _done(
    act: Callable[[Path, random.Random], None],
    path: Path,
    name: str,
    named: tuple[str, ...],
    dice: random.Random,
) -> Done:
    facts, keeps_time = path.stat(), dice.randrange(2)
    act(path, dice)
    if keeps_time and path.exists():
        os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    return Done(f"{act.__name__.strip('_')}: {name}", named)


def _add(bag: Path, dice: random.Random) -> Done:
    folder = dice.choice([bag / "data", *(p for p in (bag / "data").rglob("*") if p.is_dir())])
    path = folder / f"stray {dice.randrange(1000)}.fits"
    path.write_bytes(dice.randbytes(dice.randrange(3000)))
    return Done(f"added: {path.relative_to(bag)}", (path.name,))


def _swap(bag: Path, dice: random.Random) -> Done:
    frames = sorted((bag / "data/frames").rglob("light*"))
    one, other = dice.sample(frames, 2)
    first, second = one.read_bytes(), other.read_bytes()
    _put(one, second)
    _put(other, first)
    names = tuple(path.relative_to(bag).as_posix() for path in (one, other))
    return Done(f"swapped: {names}", names)


# One trial


def try_damage(trial: Trial, scenes: Scenes = drive_scene) -> None:
    """Damage a proven drive. `check` has to tell, and `send` must not call proven what it cannot know of."""
    good = pristine(trial.fault, trial.on, scenes)
    good.restore()
    scene = good.scene
    bag = bags_on(scene.drive)[0]
    lists_before = {name: (bag / name).read_bytes() for name in _TAG_FILES}
    before, sizes = fingerprint(bag), _sizes(bag)
    try:
        done = damage(bag, trial.dice)
    except PermissionError as error:  # fusefat lets some files not be written on
        raise NotMade from error
    if fingerprint(bag) == before:
        raise NotMade  # fusefat drops some writes in the middle of a file
    with telling(done.what):
        _require_quick_told(scene, {path for path, _ in sizes ^ _sizes(bag)})
        checked = scene.run("check", str(scene.drive), "--json")
        _require_told(checked, done, bag, lists_before)
        _judge_send(scene)


def _sizes(bag: Path) -> set[tuple[str, int]]:
    """Return all that a quick check can go by: what is in the payload, and how large it is."""
    files = (path for path in (bag / "data").rglob("*") if path.is_file())
    return {(path.relative_to(bag).as_posix(), path.stat().st_size) for path in files}


def _require_quick_told(scene: Scene, differing: set[str]) -> None:
    """A quick check finds what is missing, added or of another size, and never calls anything proven."""
    ran = scene.run("check", "--quick", str(scene.drive), "--json")
    require_ended(ran, "the quick check", 0, 1, 3)
    told = ran.document
    claimed = sum(bag["verified"] + bag["bytes_verified"] + ("read_back" in bag) for bag in told["bags"])
    require(not claimed, f"the quick check claims to have read: {told['bags'][:1]}")
    require("proven" not in told["message"], f"the quick check claims: {told['message']}")
    require(told["quick"], "the quick check does not say that it was one")
    if differing:
        require(
            ran.exit == 1, f"the quick check overlooked {sorted(differing)[:3]}, and ended with {ran.exit}"
        )
        paths = _paths(told["findings"])
        require(
            any(path in paths for path in differing), f"not named: {sorted(differing)[:3]} in {paths[:300]}"
        )
    in_words = scene.run("check", "--quick", str(scene.drive)).out
    require("proves nothing" in in_words, f"the quick check does not say what it is: {in_words[-300:]}")
    require(" proven" not in in_words, f"the quick check claims: {in_words[:300]}")


def _require_told(checked: Ran, done: Done, bag: Path, lists_before: dict[str, bytes]) -> None:
    require_ended(checked, "the check", 0, 1, 3)
    if checked.exit == 0:
        require(_says_the_same(bag, lists_before), "the check found nothing")
        return
    told = [*checked.document["findings"], *({"path": path} for path in checked.document["without_bag"])]
    paths = _paths(told)
    require(any(name in paths for name in done.named), f"not named: {done.named} in {paths[:300]}")


def _paths(findings: Iterable[dict[str, str]]) -> str:
    """Return the paths of findings, in one text, with the separator that bags have."""
    return " ".join(found["path"] for found in findings).replace("\\", "/")


def _says_the_same(bag: Path, before: dict[str, bytes]) -> bool:
    """Return whether the bag still says all that it said; RFC 8493 lets a bag be without a tag manifest.

    Hexadecimal digits mean the same in upper case.
    """
    now = {name: (bag / name).read_bytes() for name in before if (bag / name).exists()}
    changed = [name for name in before if now.get(name) != before[name]]
    if changed != [_TAG_MANIFEST]:
        return False
    return now.get(_TAG_MANIFEST, before[_TAG_MANIFEST]).lower() == before[_TAG_MANIFEST].lower()


def _judge_send(scene: Scene) -> None:
    """It says what it knows: what is there as listed was proven by an earlier run; the rest is carried."""
    ran = scene.send()
    scene.require_sources_untouched()
    require_ended(ran, "the send")
    if ran.exit != 0:
        return
    carried = sum(night["carried"] for night in ran.document["nights"])
    if carried or "by an earlier run" not in ran.document["message"]:
        bag = next(bag for bag in bags_on(scene.drive) if "(set aside" not in bag.name)
        require(listed(bag) == scene.known.now, f"send called it proven: {ran.document['message']}")
        require_listed_there(bag)


FAULTS = (Fault("damage", "a bit, a block, a length, a name or a list changed", KINDS, 2000, try_damage, 8),)
