"""A verdict on a night: kept in its bag, valid to other people's tools, never lost."""

from __future__ import annotations

import json
import shutil
import sys
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from manifests.bags.paths import TAG_MANIFEST, said_in
from manifests.bags.statements import read_statements
from manifests.index.nights import nights
from manifests.index.opening import open_index
from manifests.readings.verdicts import Verdict, verdict_of
from tests.support.desks import Desk
from tests.support.dying import died
from tests.support.nights import NIGHT, Computer, prepared
from tests.support.systems import need_fork
from transfer.engine.medium import Medium, this_computer
from transfer.engine.records import Records
from transfer.engine.surroundings import Surroundings
from transfer.errors import ConfigurationError, NightferryError, NotThere
from transfer.jobs.index import build_index
from transfer.jobs.mark import MarkOutcome, mark
from transfer.stop import Stop

MORNING = datetime(2026, 3, 15, 9, tzinfo=UTC)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path / "desk")


@pytest.fixture
def filed(tmp_path: Path, desk: Desk) -> Desk:
    """An archive with a night of frames and logs, and a night of frames alone."""
    computer = Computer(tmp_path / "telescope")
    computer.frame("one.fits")
    computer.log("mast.csv")
    stick = prepared(tmp_path / "stick")
    computer.send(stick)
    desk.file(stick)
    computer.frame("next.fits", begun="2026-03-15T22:00:00")
    computer.send(stick)
    desk.file(stick)
    return desk


def say(
    desk: Desk,
    verdict: Verdict,
    because: str = "",
    night: date = NIGHT,
    at: datetime = MORNING,
    medium: Medium | None = None,
) -> MarkOutcome:
    around = Surroundings(medium or this_computer(), Records(desk.root / "records"), Stop(), clock=lambda: at)
    return mark(desk.archive, night, verdict, because, around)


def said(desk: Desk, night: date = NIGHT) -> list[tuple[str, str]]:
    found = read_statements(desk.archive / f"nights/{night}", "verdict").statements
    return [(one.verdict.value, one.because) for one in map(verdict_of, found) if one is not None]


def verdicts_listed(desk: Desk) -> dict[date, str]:
    with open_index(desk.archive / "index.sqlite") as index:
        return {row.night: row.verdict.verdict for row in nights(index) if row.verdict}


def test_words_without_because_are_told_where_they_go(filed: Desk):
    ran = filed.command("mark", str(NIGHT), "poor", "the", "hub", "again")
    assert ran.exit == 2
    assert 'why it went so is said with --because: --because "the hub again"' in ran.err
    with open_index(filed.archive / "index.sqlite") as index:
        assert [row.verdict for row in nights(index)] == [None, None], "nothing was kept"


def test_a_verdict_is_kept_in_the_nights_bag_and_listed(filed: Desk):
    outcome = say(filed, Verdict.POOR, " dew on\nthe corrector ")
    assert outcome.message == "The night of 2026-03-14 is marked poor: dew on the corrector."
    assert outcome.bag == "nights/2026-03-14"
    assert said(filed) == [("poor", "dew on the corrector")]
    filed.assert_all_valid()
    assert said_in("verdict") in (filed.archive / outcome.bag / TAG_MANIFEST).read_text()
    assert verdicts_listed(filed) == {NIGHT: "poor"}


def test_the_last_verdict_holds_and_the_earlier_ones_stay(filed: Desk):
    say(filed, Verdict.LOST, at=MORNING)
    say(filed, Verdict.GOOD, "better than I thought", at=MORNING.replace(hour=10))
    assert said(filed) == [("lost", ""), ("good", "better than I thought")]
    assert verdicts_listed(filed) == {NIGHT: "good"}


def test_a_night_without_logs_gets_a_bag_of_its_own(filed: Desk):
    bag = filed.archive / "nights/2026-03-15"
    assert not bag.exists()
    say(filed, Verdict.GOOD, night=date(2026, 3, 15))
    filed.assert_all_valid()
    assert said(filed, date(2026, 3, 15)) == [("good", "")]


def test_filing_more_into_the_bag_keeps_what_was_said(filed: Desk, tmp_path: Path):
    say(filed, Verdict.POOR)
    more = tmp_path / "more"
    computer = Computer(more)
    computer.log("mount.log", b"parked\n")
    stick = prepared(tmp_path / "another stick", "Another")
    computer.send(stick)
    assert filed.file(stick).filed == 1
    filed.assert_all_valid()
    assert said(filed) == [("poor", "")]
    assert said_in("verdict") in (filed.archive / "nights/2026-03-14" / TAG_MANIFEST).read_text()


def test_a_new_index_says_what_the_bags_say(filed: Desk):
    say(filed, Verdict.POOR)
    (filed.archive / "index.sqlite").unlink()
    build_index(filed.archive)
    assert verdicts_listed(filed) == {NIGHT: "poor"}


def test_a_verdict_on_a_bag_that_is_away_is_still_known(filed: Desk):
    say(filed, Verdict.POOR)
    shutil.move(filed.archive / "nights/2026-03-14", filed.root / "elsewhere")
    build_index(filed.archive)
    assert verdicts_listed(filed) == {NIGHT: "poor"}


def test_a_night_that_the_archive_does_not_know_is_refused(filed: Desk):
    with pytest.raises(ConfigurationError, match="nothing of the night of 2026-03-20"):
        say(filed, Verdict.GOOD, night=date(2026, 3, 20))
    assert not (filed.archive / "nights/2026-03-20").exists()


def test_a_folder_that_is_no_archive_is_refused(desk: Desk):
    with pytest.raises(NotThere):
        say(desk, Verdict.GOOD)
    assert list(desk.archive.iterdir()) == []


def test_a_reason_without_end_is_refused(filed: Desk):
    with pytest.raises(ConfigurationError, match="longer than 2,000"):
        say(filed, Verdict.GOOD, "x" * 3000)


def test_a_bag_that_a_run_left_unfinished_is_finished_first(filed: Desk):
    journal = filed.archive / "nights/2026-03-14/nightferry/journal.jsonl"
    journal.write_bytes(b"")
    say(filed, Verdict.GOOD)
    assert not journal.exists()
    filed.assert_all_valid()


def test_nothing_is_added_to_what_was_said_where_that_is_damaged(filed: Desk, tmp_path: Path):
    for hour, verdict in enumerate((Verdict.POOR, Verdict.GOOD)):
        say(filed, verdict, at=MORNING.replace(hour=hour))
    path = filed.archive / "nights/2026-03-14" / said_in("verdict")
    for content in (b"?" + path.read_bytes()[1:], None):
        whole = path.read_bytes()
        path.write_bytes(content) if content else path.unlink()
        before = contents(filed)
        with pytest.raises(NightferryError, match="not what was written") as refused:
            say(filed, Verdict.POOR)
        assert f'nightferry heal "{filed.archive}" --from' in refused.value.next_step
        assert contents(filed) == before
        assert filed.command("check", filed.archive).exit == 1
        if content is None:
            path.write_bytes(whole)
    path.write_bytes(b"?" + path.read_bytes()[1:])
    healed = filed.command("heal", filed.archive, "--from", tmp_path / "stick")
    assert "what can be read was kept" in healed.out
    say(filed, Verdict.POOR)
    assert said(filed) == [("good", ""), ("poor", "")]
    filed.assert_all_valid()


def contents(desk: Desk) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in (desk.archive / "nights").rglob("*") if path.is_file()}


def test_a_list_that_was_damaged_goes_on_contradicting_its_digest(filed: Desk):
    manifest = filed.archive / "nights/2026-03-14/manifest-sha256.txt"
    pinned = (manifest.parent / TAG_MANIFEST).read_text()
    manifest.write_bytes(manifest.read_bytes().replace(b"data/", b"date/"))
    say(filed, Verdict.GOOD)
    kept = [line for line in pinned.splitlines() if line.endswith("manifest-sha256.txt")]
    assert kept[0] in (manifest.parent / TAG_MANIFEST).read_text()


@need_fork
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="forks and kills on Linux")
@pytest.mark.parametrize("night", [NIGHT, date(2026, 3, 15)])
def test_a_run_killed_at_any_moment_loses_nothing_that_was_said(filed: Desk, night: date):
    say(filed, Verdict.POOR, "first")
    last = 0
    came_so_far = True
    while came_so_far:
        last += 1
        came_so_far = died(lambda medium: say(filed, Verdict.LOST, "again", night=night, medium=medium), last)
        assert said(filed)[0] == ("poor", "first")
        assert all(each == ("lost", "again") for each in said(filed, night)[1:])
    say(filed, Verdict.GOOD, "at last", night=night, at=MORNING.replace(hour=11))
    assert said(filed, night)[-1] == ("good", "at last")
    filed.assert_all_valid()
    assert last > 5


def test_the_command_says_what_it_kept(filed: Desk):
    ran = filed.command("mark", "2026-03-14", "poor", "--because", "dew")
    assert (ran.exit, ran.out.strip()) == (0, "The night of 2026-03-14 is marked poor: dew.")
    shown = filed.command("nights")
    assert shown.out.splitlines()[0].split()[:5] == ["night", "hours", "moon", "findings", "verdict"]
    assert " poor " in shown.out.splitlines()[1]
    document = json.loads(filed.command("nights", "--json").out)
    assert (document["nights"][0]["verdict"], document["nights"][0]["because"]) == ("poor", "dew")
    assert document["nights"][1]["verdict"] is None


def test_a_verdict_that_is_none_is_a_slip_of_the_command_line(filed: Desk):
    assert filed.command("mark", "2026-03-14", "splendid").exit == 2
    ran = filed.command("mark", "2026-03-20", "good", "--json")
    assert ran.exit == 2
    assert "nothing of the night" in json.loads(ran.out)["message"]
