"""Bags made to mislead, to be filed: nothing gets outside the archive, and nothing foreign gets in."""

from __future__ import annotations

import json
import os
import random
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from tests.faults.archive_jobs import Desk, new_stick, send_to
from tests.faults.archive_judge import (
    archive_bags,
    delivered,
    require_archive_true,
    require_file_truth,
    words_on,
)
from tests.faults.hostile_bags import HARMLESS, HOSTILE, STRANGE, make_bag, remove_deep, sha256
from tests.faults.judge import Ran, require, require_ended, require_same, require_valid, sha256_of
from tests.faults.scene import Scene, room
from tests.faults.trials import Fault, Trial, telling

_NIGHT = "2026-03-14"
_FORMS = ("json", "csv", "ecsv", "votable", "paths0")
_FOREIGN = "twins in normal form"  # its twin is listed, and holds what lies elsewhere too
Forge = Callable[[dict[str, Any]], None]


def _frame_says(**facts: str | int) -> Forge:
    def forge(line: dict[str, Any]) -> None:
        if "frame" in line:
            line["frame"] |= facts

    return forge


def _says(**facts: str | int) -> Forge:
    return lambda line: line.update(facts)


# Drives of our own making whose entries say what no imaging computer wrote; their tag manifests vouch for it.
FORGED: dict[str, Forge] = {
    "target climbs": _frame_says(object_name="../../evil"),
    "target climbs with backslashes": _frame_says(object_name="..\\..\\evil"),
    "target is absolute": _frame_says(object_name="/evil"),
    "target is a drive": _frame_says(object_name="C:\\evil"),
    "target is a folder of the archive's own": _frame_says(object_name="nightferry-incoming"),
    "target is the nights' folder": _frame_says(object_name="nights"),
    "target is the index": _frame_says(object_name="index.sqlite"),
    "target is the archive's mark": _frame_says(object_name="nightferry-archive.toml"),
    "target is the folder itself": _frame_says(object_name="."),
    "target breaks lines": _frame_says(object_name="M 51\n../evil\r\n"),
    "target holds a NUL": _frame_says(object_name="M 51\0/../../evil"),
    "target is endless": _frame_says(object_name="x" * 70_000),
    "filter climbs": _frame_says(filter_name="../../../evil"),
    "camera climbs": _frame_says(camera="../../../evil"),
    "source climbs": _says(source="../../../evil"),
    "original climbs": _says(original="../../../../evil"),
    "entry climbs": _says(path="data/../../outside/secret"),
    "entry is absolute": _says(path="/etc/hostname"),
    "night long ago": _says(night="0001-01-01"),
    "night at the calendar's end": _says(night="9999-12-31"),
    "begun after the calendar's end": _frame_says(begun_utc="9999-12-31T23:59:59-11:00"),
    "begun before its beginning": _frame_says(begun_utc="0001-01-01T00:00:00+13:00"),
    "begun in its last minute": _frame_says(begun_utc="9999-12-31T23:59:00+00:00"),
    "target is half a character": _frame_says(object_name="M 51 \ud800"),
    "filter is half a character": _frame_says(filter_name="Ha\udcff"),
    "target is longer than a line": _frame_says(object_name="x" * 300_000),
    "camera acts on a terminal": _frame_says(camera="\x1b[2J\u202egninthgil"),
    "time of 40 digits": _says(modified_ns=10**40),
    "more pixels than there are": _frame_says(width_px=2**63, height_px=10**30),
}
KINDS = sorted({*HOSTILE, *STRANGE, *HARMLESS, *FORGED})
random.Random(0).shuffle(KINDS)  # few trials meet kinds of every sort


def try_filed(trial: Trial) -> None:
    """File a drive with one bag that was made to mislead."""
    name = KINDS[(trial.number + trial.seed) % len(KINDS)]
    with room() as root, telling(name):
        scene = Scene(root / "in/a/deep/room", root / "in/a/deep/archive", trial.dice, trial.without)
        scene.drive.mkdir()
        desk, stick = Desk(scene), new_stick(scene)
        (stick / "outside").mkdir()
        (stick / "outside/secret").write_bytes(b"elsewhere\n")
        whole = _make(name, scene, stick)
        before = _elsewhere(root, scene, desk, stick)
        ran = scene.run(*desk.file_words(stick))
        require_same(before, _elsewhere(root, scene, desk, stick), "what lies outside the archive")
        _require_only(whole, name, scene.drive)
        _judge(name, ran, scene, stick)
        if name in FORGED:
            _require_every_list(desk)
        remove_deep(stick)


def _require_every_list(desk: Desk) -> None:
    """Check that whatever was filed can be listed in every form, as often as is asked."""
    settings = str(desk.settings())
    for words in (("targets",), ("nights",), ("index",), *(("frames", f"--{form}") for form in _FORMS)):
        ran = desk.scene.run(*words, "--config", settings)
        require_ended(ran, " ".join(words))
        wrong = any(word in ran.err for word in ("does not know", "Traceback", "damaged"))
        wrong = wrong or ran.exit not in (0, 1)
        require(not wrong, f"{words} ends with {ran.exit}: {ran.err[-400:]}")


def _make(name: str, scene: Scene, stick: Path) -> set[str]:
    """Make the bag; return the digests of what may be filed."""
    bag, dice = stick / _NIGHT, scene.dice
    if name in FORGED:
        scene.begin_session()
        send_to(scene, stick)
        _forge(bag, FORGED[name])
    else:
        make_bag(bag, dice)
    whole = {sha256_of(path) for path in (bag / "data").rglob("*") if path.is_file()}
    if name not in FORGED:
        {**HOSTILE, **STRANGE, **HARMLESS}[name](bag, dice)
    return whole


def _forge(bag: Path, forge: Forge) -> None:
    entries, pins = bag / "nightferry/entries.jsonl", bag / "tagmanifest-sha256.txt"
    lines = [json.loads(line) for line in entries.read_bytes().splitlines()]
    for line in lines:
        forge(line)
    was = sha256_of(entries)
    entries.write_text("".join(f"{json.dumps(line)}\n" for line in lines))
    pins.write_text(pins.read_text().replace(was, sha256_of(entries)))


def _elsewhere(root: Path, scene: Scene, desk: Desk, stick: Path) -> dict[str, tuple[str, int, int]]:
    """Fingerprint all that no run may touch; the bag itself may be too deep to be walked."""
    left_out = {str(path) for path in (scene.drive, desk.root, stick / _NIGHT, scene.computer.records)}
    left_out.add(str(stick / "nightferry-key.toml"))  # which the archive takes, as a letter is taken
    return dict(_files(root, left_out))


def _files(folder: Path, left_out: set[str]) -> Iterator[tuple[str, tuple[str, int, int]]]:
    for entry in os.scandir(folder):
        if entry.path in left_out:
            continue
        facts = entry.stat(follow_symlinks=False)
        is_file = entry.is_file(follow_symlinks=False)
        yield entry.path, (sha256_of(Path(entry.path)) if is_file else "", facts.st_mode, 0)
        if entry.is_dir(follow_symlinks=False):
            yield from _files(Path(entry.path), left_out)


def _require_only(whole: set[str], name: str, archive: Path) -> None:
    """Check that no content got in but what the bag held before anybody tampered with it."""
    may_be_there = whole | ({sha256(b"elsewhere\n")} if name == _FOREIGN else set())
    for bag in archive_bags(archive):
        for path in sorted((bag / "data").rglob("*")):
            require(not path.is_symlink(), f"a link got into the archive: {path}")
            known = not path.is_file() or sha256_of(path) in may_be_there
            require(known, f"filed from somewhere else: {path.relative_to(archive)}")
        require_valid(bag)


def _judge(name: str, ran: Ran, scene: Scene, stick: Path) -> None:
    require_ended(ran)
    require(ran.document and "does not know" not in ran.document["message"], f"no answer: {ran.out[:400]}")
    if name in FORGED:
        require_file_truth(ran, scene.drive, delivered(stick), {})
        return
    require_archive_true(scene.drive)
    require(name not in HOSTILE or ran.exit != 0, f"all is filed, it says: {ran.out[-500:]}")
    require(name not in HARMLESS or ran.exit == 0, f"it does not take it: {ran.out[-700:]}")
    require(not words_on(stick), "the archive's word in a bag that is not ours")


FAULTS = (Fault("hostile-filing", "bags made to mislead, to be filed", ("ext4",), 300, try_filed, 6),)
