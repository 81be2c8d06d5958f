import os
import shutil
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from transfer.config import Config, load_config
from transfer.engine.drive import mark_text, new_mark
from transfer.engine.medium import this_computer
from transfer.errors import ExitCode
from transfer.jobs.send import last_answer
from transfer.jobs.send.last_answer import Answer, answer_again, asked
from transfer.jobs.send.outcome import SendOutcome
from transfer.jobs.send.run import SendRequest, SendRun
from transfer.records import Records
from transfer.stop import Stop
from transfer.surroundings import Surroundings

EVENING_NS = 1_773_520_000 * 10**9
TONIGHT = asked((), (), None, everything=False)


class Session:
    """A computer with two logs, a drive, and a configuration that names both."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in ("guiding.log", "mount.log"):
            self.write(name, b"one line\n" * 100_000)
        (folder / "stick").mkdir()
        mark = new_mark("stick", datetime(2026, 3, 1, tzinfo=UTC), None, None)
        (folder / "stick" / "nightferry-drive.toml").write_text(mark_text(mark))
        (folder / "nightferry.toml").write_text(
            '[site]\nlongitude = 0.0\n[[source]]\nname = "logs"\nfolder = "logs"\n'
            '[[drive]]\nname = "stick"\nfolder = "stick"\n[records]\nfolder = "records"\n'
        )

    def write(self, name: str, content: bytes) -> None:
        path = self.folder / "logs" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        os.utime(path, ns=(EVENING_NS, EVENING_NS))

    @property
    def config(self) -> Config:
        return load_config(self.folder / "nightferry.toml", {})

    def send(self) -> SendOutcome:
        records = Records(self.folder / "records")
        around = Surroundings(this_computer(), records, Stop())
        return SendRun(self.config, SendRequest(), around).run()

    def again(self) -> Answer | None:
        return answer_again(self.config, TONIGHT, self.folder / "records")


@pytest.fixture
def settled(tmp_path: Path) -> Session:
    """A session whose last look found nothing new."""
    session = Session(tmp_path)
    assert session.send().exit_code is ExitCode.PROVEN
    assert session.send().nothing_new
    return session


def test_the_answer_is_given_again_while_nothing_has_changed(settled: Session) -> None:
    again = settled.again()
    assert again is not None
    assert again.message == settled.send().message
    assert again.document == settled.send().as_json()


def test_a_drive_that_was_read_for_an_answer_is_flushed_before_it_is_given(
    settled: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    flushed: list[str] = []
    monkeypatch.setattr(last_answer, "flush_noted", flushed.append)
    assert settled.again() is not None
    assert flushed == [str(settled.folder / "stick")]


def test_a_run_that_carried_something_leaves_no_answer_to_give_again(tmp_path: Path) -> None:
    session = Session(tmp_path)
    session.send()
    assert session.again() is None


def _bag(session: Session) -> Path:
    return session.folder / "stick" / "2026-03-14"


CHANGES: dict[str, Callable[[Session], object]] = {
    "a new file": lambda s: s.write("new.log", b""),
    "a file that grew by a byte": lambda s: s.write("mount.log", b"one line\n" * 100_000 + b"\n"),
    "a file written to": lambda s: os.utime(s.folder / "logs/mount.log", ns=(EVENING_NS, EVENING_NS + 1000)),
    "a file that went": lambda s: (s.folder / "logs/mount.log").unlink(),
    "a copy taken from the drive": lambda s: (_bag(s) / "data/logs/mount.log").unlink(),
    "a copy cut short on the drive": lambda s: (_bag(s) / "data/logs/mount.log").write_bytes(b"one"),
    "another list on the drive": lambda s: (_bag(s) / "tagmanifest-sha256.txt").write_text("other"),
    "no bag on the drive": lambda s: shutil.rmtree(_bag(s)),
    "an unfinished night": lambda s: (_bag(s) / "nightferry/journal.jsonl").touch(),
    "another unfinished night": lambda s: _touch(s.folder / "stick/2026-03-10/nightferry/journal.jsonl"),
    "another drive in its place": lambda s: (s.folder / "stick/nightferry-drive.toml").write_text("id = 1"),
    "no drive": lambda s: (s.folder / "stick").rename(s.folder / "gone"),
    "another configuration": lambda s: _append(s.folder / "nightferry.toml", "# a word\n"),
    "a record cut short": lambda s: (s.folder / "records/last-answer.json").write_text("{"),
    "a record of another form": lambda s: (s.folder / "records/last-answer.json").write_text('{"format": 0}'),
}


def _touch(path: Path) -> None:
    path.parent.mkdir(parents=True)
    path.touch()


def _append(path: Path, text: str) -> None:
    path.write_text(path.read_text() + text)


@pytest.mark.parametrize("what", CHANGES)
def test_any_change_makes_send_look_at_everything_again(settled: Session, what: str) -> None:
    CHANGES[what](settled)
    assert settled.again() is None


def test_another_question_has_no_answer_yet(settled: Session) -> None:
    question = asked((), [date(2026, 3, 14)], None, everything=False)
    assert answer_again(settled.config, question, settled.folder / "records") is None


def test_a_night_dated_by_the_time_zone_is_always_looked_at(tmp_path: Path) -> None:
    session = Session(tmp_path)
    text = (tmp_path / "nightferry.toml").read_text().replace("[site]\nlongitude = 0.0\n", "")
    (tmp_path / "nightferry.toml").write_text(text)
    session.send()
    session.send()
    assert session.again() is None
