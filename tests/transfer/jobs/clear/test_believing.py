"""By what a file may go: signed acknowledgements; others if a person believes them; none that is forged."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from manifests.bags.acknowledgement_keys import new_key, with_signatures
from manifests.findings import FindingKind
from tests.support.desks import NOON
from tests.support.nights import noise, prepared
from transfer.engine.records import Records
from transfer.errors import ExitCode
from transfer.jobs.send.survey import Scope

NIGHT = "2026-03-14"
OTHER = "0f0f0f0f-0000-4000-8000-000000000000"


def acknowledgement(home) -> Path:
    (path,) = (home.stick / NIGHT / "nightferry").glob("acknowledgement-*.json")
    return path


def put(home, path: Path, content: bytes) -> None:
    """Put a file in the acknowledgement's place, and have the bag's tag manifest list it."""
    old = acknowledgement(home)
    tags = home.stick / NIGHT / "tagmanifest-sha256.txt"
    lines = [line for line in tags.read_text().splitlines() if old.name not in line]
    old.unlink()
    path.write_bytes(content)
    lines.append(f"{hashlib.sha256(content).hexdigest()}  nightferry/{path.name}")
    tags.write_text("\n".join(sorted(lines, key=lambda line: line[66:])) + "\n")


def without_signature(content: bytes, **facts: object) -> dict:
    document = json.loads(content) | facts
    del document["keyed"]
    return document


def dumped(document: dict) -> bytes:
    return json.dumps(document, indent=1).encode()


# Not signed


def test_an_acknowledgement_without_a_signature_lets_nothing_go_until_a_person_believes_it(carried):
    path = acknowledgement(carried)
    put(carried, path, dumped(without_signature(path.read_bytes())))
    outcome = carried.clear()
    assert (outcome.deleted, len(carried.files())) == (0, 5)
    assert "not signed: archive 'archive'" in set(carried.why(outcome).values()).pop()
    assert carried.clear(believe=True).deleted == 5


def test_the_command_asks_nobody_where_there_is_no_terminal(carried):
    path = acknowledgement(carried)
    put(carried, path, dumped(without_signature(path.read_bytes())))
    ran = carried.computer.command("clear", "--delete")
    assert (ran.exit, len(carried.files())) == (0, 5)
    assert "not signed" in ran.out


def test_what_is_not_signed_is_not_remembered(carried):
    path = acknowledgement(carried)
    put(carried, path, dumped(without_signature(path.read_bytes())))
    carried.clear(delete=False, believe=True)
    carried.take_away()
    carried.computer.more = "[clear]\ncopies = 1\n"
    carried.computer.configure()
    assert carried.clear(believe=True).deleted == 0


def test_an_archive_that_has_signed_before_is_not_believed_without_a_signature(carried):
    carried.clear(delete=False)  # which sees the signature
    path = acknowledgement(carried)
    content = path.read_bytes()
    put(carried, path, dumped(without_signature(content)))
    shutil.rmtree(next((carried.computer.records / "signed").iterdir()) / NIGHT)
    outcome = carried.clear(believe=True)
    assert (outcome.deleted, outcome.exit_code) == (0, ExitCode.SOMETHING_UNPROVEN)
    assert "this is not signed" in outcome.findings[0].detail


# Forged


def forged(how: str, content: bytes, home) -> tuple[str, bytes]:
    """Return the name and the content of a forged acknowledgement."""
    document = json.loads(content)
    name = f"acknowledgement-{document['archive']['id']}.json"
    late = home.computer.frame("late.fits", data=noise(900, 8)).read_bytes()
    more = {
        "path": "data/frames/late.fits",
        "sha256": hashlib.sha256(late).hexdigest(),
        "size_bytes": len(late),
        "source": "frames",
        "original": "late.fits",
        "to": "M 51/data/late.fits",
    }
    longer = [*document["files"], more]
    match how:
        case "a file more, signed by nobody":
            return name, dumped(without_signature(content, files=longer))
        case "a file more, under the old signature":
            return name, dumped(document | {"files": longer})
        case "a file more, signed with another key":
            del document["keyed"]
            return name, dumped(with_signatures(document | {"files": longer}, [new_key()]))
        case "a file more, as another archive":
            archive = {"id": OTHER, "name": "attic"}
            other = without_signature(content, files=longer, archive=archive)
            return f"acknowledgement-{OTHER}.json", dumped(other)
        case "under another archive's name":
            return f"acknowledgement-{OTHER}.json", content
        case "of another manifest":
            return name, dumped(without_signature(content, manifest_sha256="0" * 64))
        case "cut off":
            return name, content[: len(content) // 2]
        case _:
            return name, b"[" * 9999


@pytest.mark.parametrize(
    "how",
    [
        "a file more, signed by nobody",
        "a file more, under the old signature",
        "a file more, signed with another key",
        "a file more, as another archive",
        "under another archive's name",
        "of another manifest",
        "cut off",
        "no JSON",
    ],
)
def test_a_forged_acknowledgement_lets_nothing_go_whoever_would_believe_it_and_is_named(carried, how):
    name, content = forged(how, acknowledgement(carried).read_bytes(), carried)
    put(carried, acknowledgement(carried).with_name(name), content)
    outcome = carried.clear(believe=True)
    assert (outcome.deleted, len(carried.files())) == (0, 6)
    (finding,) = outcome.findings
    assert finding.kind is FindingKind.NOT_BELIEVED
    assert finding.path == f"Field stick/{NIGHT}/nightferry/{name}"
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN


def test_an_acknowledgement_that_the_bag_does_not_list_is_not_believed(carried):
    path = acknowledgement(carried)
    path.write_bytes(path.read_bytes() + b" ")
    outcome = carried.clear()
    assert (outcome.deleted, len(carried.files())) == (0, 5)
    assert "tag manifest" in outcome.findings[0].detail


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.integers(0, 10_000), byte=st.integers(0, 255))
def test_whatever_byte_of_an_acknowledgement_is_changed_nothing_more_goes_by_it(carried, at, byte):
    path = acknowledgement(carried)
    content = bytearray(path.read_bytes())
    before = json.loads(content)
    content[at % len(content)] = byte
    tags = (carried.stick / NIGHT / "tagmanifest-sha256.txt").read_bytes()
    put(carried, path, bytes(content))
    outcome = carried.clear(delete=False)
    try:
        same = json.loads(content) == before
    except ValueError:
        same = False
    assert outcome.may_go in ((5,) if same else (0,))
    path.write_bytes(dumped(before))
    put(carried, path, dumped(before))
    (carried.stick / NIGHT / "tagmanifest-sha256.txt").write_bytes(tags)
    shutil.rmtree(carried.computer.records / "signed", ignore_errors=True)


def test_an_acknowledgement_that_the_archive_has_taken_back_counts_no_more(carried):
    carried.clear(delete=False)  # which remembers it
    path = acknowledgement(carried)
    tags = carried.stick / NIGHT / "tagmanifest-sha256.txt"
    lines = [line for line in tags.read_text().splitlines() if path.name not in line]
    tags.write_text("\n".join(lines) + "\n")
    path.unlink()
    assert carried.clear().deleted == 0
    assert not list((carried.computer.records / "signed").rglob("*.json"))


# An archive that has lost what it acknowledged, or was put back to an older state


def next_night(home, day: int) -> None:
    """Send a night more, and file it a day after it."""
    evening = f"2026-03-{day}"
    home.computer.frame(f"{evening}.fits", begun=f"{evening}T23:00:00", data=noise(900, day))
    assert home.computer.send(home.stick).exit_code is ExitCode.PROVEN
    assert home.desk.file(home.stick, now=NOON.replace(day=day + 1)).exit_code is ExitCode.PROVEN


def refused(outcome) -> list[str]:
    """Return the nights of which an acknowledgement does not stand any more."""
    told = [each for each in outcome.findings if each.kind is FindingKind.NOT_BELIEVED]
    assert all("does not stand" in each.detail for each in told)
    return [re.findall("2026-03-..", each.path)[0] for each in told]


def test_what_an_archive_has_lost_is_left_out_of_its_next_acknowledgement_and_lets_nothing_go(carried):
    carried.settings("[clear]\ncopies = 1\n")
    assert carried.clear(delete=False).may_go == 5
    shutil.rmtree(carried.stick / NIGHT)
    next(carried.desk.archive.rglob("light 1.fits")).unlink()
    next_night(carried, 15)
    outcome = carried.clear()
    assert refused(outcome) == [NIGHT]
    assert (outcome.deleted, len(carried.files())) == (1, 5)
    assert outcome.exit_code is ExitCode.SOMETHING_UNPROVEN


def test_so_is_what_an_archive_acknowledged_after_the_state_that_it_was_put_back_to(carried, tmp_path):
    carried.settings("[clear]\ncopies = 1\n")
    shutil.copytree(carried.desk.archive, tmp_path / "backup")
    next_night(carried, 15)
    assert carried.clear(delete=False).may_go == 6
    shutil.rmtree(carried.stick / "2026-03-15")
    shutil.rmtree(carried.desk.archive)
    shutil.copytree(tmp_path / "backup", carried.desk.archive)
    next_night(carried, 16)
    outcome = carried.clear()
    assert refused(outcome) == ["2026-03-15"]
    assert carried.files() == ["frames/2026-03-15.fits"]


def test_filing_the_drive_again_mends_what_an_archive_has_taken_back(carried, tmp_path):
    shutil.copytree(carried.stick / NIGHT, tmp_path / "kept")
    carried.clear(delete=False)
    shutil.rmtree(carried.stick / NIGHT)
    lost = next(carried.desk.archive.rglob("light 1.fits"))
    lost.unlink()
    next_night(carried, 15)
    shutil.copytree(tmp_path / "kept", carried.stick / NIGHT)
    assert refused(carried.clear()) == [NIGHT]
    assert len(carried.files()) == 5
    carried.desk.file(carried.stick, now=NOON.replace(day=18))
    assert lost.exists()
    assert (refused(carried.clear()), carried.files()) == ([], [])


def test_send_carries_again_what_an_archive_has_lost(carried):
    carried.computer.send(carried.stick)
    shutil.rmtree(carried.stick / NIGHT)
    next(carried.desk.archive.rglob("light 1.fits")).unlink()
    next_night(carried, 15)
    carried.computer.send(carried.stick)
    carried.computer.send(carried.stick)
    assert (carried.stick / NIGHT).is_dir()


def test_a_log_that_grew_in_the_archive_takes_nothing_back(carried):
    carried.clear(delete=False)
    carried.computer.append(carried.computer.logs / "mount.log", b"23:00 parked\n")
    next_night(carried, 15)
    carried.settings("[clear]\ncopies = 1\n")
    outcome = carried.clear()
    assert (refused(outcome), outcome.exit_code) == ([], ExitCode.PROVEN)


def test_without_its_key_a_computer_believes_nothing_that_was_signed_with_it(carried):
    (carried.computer.records / "archive-key.txt").unlink()
    outcome = carried.clear()
    assert outcome.deleted == 0
    assert "not signed" in set(carried.why(outcome).values()).pop()


def test_a_kept_acknowledgement_that_was_changed_counts_for_nothing(carried):
    carried.clear(delete=False)
    carried.take_away()
    carried.computer.more = "[clear]\ncopies = 1\n"
    carried.computer.configure()
    (kept,) = (carried.computer.records / "signed").rglob("*.json")
    kept.write_bytes(kept.read_bytes().replace(b"2026-03-15", b"2026-03-16"))
    assert carried.clear().deleted == 0


@pytest.mark.skipif(os.name == "nt", reason="modes bind nobody there")
def test_nobody_else_can_read_the_key(carried):
    Records(carried.computer.records).key()
    assert (carried.computer.records / "archive-key.txt").stat().st_mode & 0o077 == 0


def test_an_archive_that_was_renamed_between_two_filings_is_one_place(home, tmp_path):
    home.carry()
    other = prepared(tmp_path / "other", "Second stick")
    home.computer.drives.append(f"name = 'Second stick'\nfolder = '{other}'")
    home.computer.configure()
    home.computer.frame("late.fits", data=noise(900, 8))  # so that the manifests are two
    assert home.computer.send(other, scope=Scope(everything=True)).exit_code == 0
    mark = home.desk.archive / "nightferry-archive.toml"
    mark.write_text(mark.read_text().replace('name = "archive"', 'name = "attic"'))
    assert home.desk.file(other).exit_code == 0
    assert home.clear(delete=False).may_go  # both drives have come home
    for drive in (home.stick, other):
        drive.rename(drive.with_name(f"{drive.name}, away"))
    outcome = home.clear()
    assert (outcome.removed, len(home.files())) == ((), 6)
    assert set(home.why(outcome).values()) == {"proven in 1 of 2 places; archive 'attic'"}
