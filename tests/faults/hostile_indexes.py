"""Indexes made to mislead or to hang: every question is answered, and nothing elsewhere is touched."""

from __future__ import annotations

from tests.faults.archive_jobs import Desk, new_stick, send_to
from tests.faults.archive_judge import delivered, require_archive_true, require_lights_shown
from tests.faults.judge import Ran, fingerprint, require, require_ended, require_same
from tests.faults.scene import Scene, room
from tests.faults.trials import Fault, Trial, telling
from tests.support.hostile_indexes import HOSTILE, lay_out_elsewhere

_QUESTIONS = (
    ("index", "--json"),
    ("frames", "--json"),
    ("targets", "--json"),
    ("nights", "--json"),
    ("frames", "--csv"),
    ("gather", "M 51", "--into", "{into}", "--json"),
)
_FILING = len(_QUESTIONS)


def try_index(trial: Trial) -> None:
    """Put a hostile index in the place of an archive's, and ask or file."""
    make = HOSTILE[(trial.number + trial.seed) % len(HOSTILE)]
    asked = trial.dice.randrange(_FILING + 1)
    with room() as root, telling(f"{make.__name__}, question {asked}"):
        scene = Scene(root, root / "archive", trial.dice, trial.without)
        scene.drive.mkdir()
        desk, stick = Desk(scene), new_stick(scene)
        scene.begin_session()
        send_to(scene, stick)
        require_ended(scene.run(*desk.file_words(stick)), "the filing", 0)
        scene.go_on_with_session()
        send_to(scene, stick)
        elsewhere = lay_out_elsewhere(scene.drive / "index.sqlite")
        make(scene.drive / "index.sqlite")
        before = fingerprint(elsewhere)
        _require_in_order(_ask(scene, desk, asked) if asked < _FILING else scene.run(*desk.file_words(stick)))
        require_ended(scene.run(*desk.file_words(stick)), "the filing after it")
        require_lights_shown(desk.frames(), delivered(stick))
        require_archive_true(scene.drive)
        require_same(before, fingerprint(elsewhere), "what lies elsewhere")
        require(not (scene.drive / "index.sqlite").is_symlink(), "the index is a link")


def _ask(scene: Scene, desk: Desk, asked: int) -> Ran:
    words = [word.format(into=scene.root / "into") for word in _QUESTIONS[asked]]
    return scene.run(*words, "--config", desk.settings())


def _require_in_order(ran: Ran) -> None:
    require_ended(ran)
    require("Traceback" not in ran.err, ran.err[-400:])
    require("does not know" not in ran.out + ran.err, f"no answer: {ran.out[-300:]}{ran.err[-300:]}")
    require(ran.exit in (0, 1), f"exit {ran.exit}: {ran.out[-300:]}{ran.err[-300:]}")


FAULTS = (
    Fault("hostile-index", "an archive's index made to mislead or to hang", ("ext4",), 56, try_index, 4),
)
