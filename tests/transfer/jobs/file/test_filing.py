"""Nights filed whole: where everything goes, what filing again does, and what is never lost."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import bagit
import pytest

from manifests.findings import FindingKind
from tests.support.desks import Desk, fingerprint
from tests.support.nights import EVENING_NS, NIGHT, Computer, assert_valid, entries, fits, noise
from transfer.archive.standing import NAME as ACKNOWLEDGED
from transfer.errors import ExitCode
from transfer.jobs.file.account import FileState


def kinds(outcome) -> list[FindingKind]:
    return [finding.kind for finding in outcome.all_findings()]


def test_lights_darks_flats_and_logs_each_go_where_they_belong(computer: Computer, stick: Path, desk: Desk):
    computer.frame("a/M51_Ha_1.fits", target="m51", filter_name="H-alpha", data=noise(100, 1))
    computer.frame("a/dark_1.fits", kind="DARK", target="", data=noise(100, 2))
    computer.frame("a/flat_1.fits", kind="Flat Field", target="", filter_name="Lum", data=noise(100, 3))
    computer.frame("a/bias_1.fits", kind="Bias Frame", target="", data=noise(100, 4))
    computer.frame("a/dflat_1.fits", kind="DarkFlat", target="", data=noise(100, 5))
    computer.log("weather/mast.csv")
    computer.send(stick)
    outcome = desk.file(stick)
    assert (outcome.exit_code, outcome.filed, outcome.already_there, outcome.refused) == (0, 6, 0, 0)
    assert sorted(desk.files()) == [
        "M 51/data/2026-03-14/Ha/M51_Ha_1.fits",
        "calibration/data/camera not given/bias/2026-03-14/bias_1.fits",
        "calibration/data/camera not given/dark flat/2026-03-14/dflat_1.fits",
        "calibration/data/camera not given/dark/2026-03-14/dark_1.fits",
        "calibration/data/camera not given/flat/2026-03-14/L/flat_1.fits",
        "nights/2026-03-14/data/logs/weather/mast.csv",
    ]
    desk.assert_all_valid()
    assert_valid(stick / NIGHT.isoformat())


def test_an_entry_says_what_a_file_is_called_and_where_it_came_from(
    computer: Computer, stick: Path, desk: Desk
):
    path = computer.frame("a/M51_Ha_1.fits", target="Messier 051", filter_name="H-alpha")
    computer.send(stick)
    desk.file(stick)
    (name,) = desk.files()
    entry = desk.entry(name)
    assert (entry.target, entry.source, entry.original) == ("M 51", "frames", "a/M51_Ha_1.fits")
    assert (entry.night, entry.modified_ns) == (NIGHT, path.stat().st_mtime_ns)
    assert entry.drive == id_of(stick)
    assert entry.frame is not None
    assert entry.frame.exposure_s == 600
    assert entry.sky is not None
    assert -90 < entry.sky.sun_altitude_deg < -10
    assert (desk.archive / name).stat().st_mtime_ns == entry.modified_ns


def id_of(stick: Path) -> str:
    return (stick / "nightferry-drive.toml").read_text().partition('id = "')[2].partition('"')[0]


def test_filing_twice_changes_nothing(computer: Computer, stick: Path, desk: Desk):
    computer.small_night()
    computer.log("empty.log", b"")
    computer.send(stick)
    first = desk.file(stick)
    archive, drive = desk.fingerprint(), fingerprint(stick)
    second = desk.file(stick)
    assert (second.exit_code, second.filed, second.already_there) == (0, 0, first.filed)
    assert second.message == f"Nothing new: all {first.filed} files were in the archive already."
    assert (desk.fingerprint(), fingerprint(stick)) == (archive, drive)
    assert {told.state for told in second.deliveries[0].files} == {FileState.ALREADY_THERE}


def test_one_file_that_is_there_already_is_told_in_the_singular(computer: Computer, stick: Path, desk: Desk):
    computer.frame("alone.fits")
    computer.send(stick)
    desk.file(stick)
    assert desk.file(stick).message == "Nothing new: the 1 file was in the archive already."


def test_a_folder_without_a_bag_filed_twice_changes_nothing(computer: Computer, desk: Desk):
    computer.small_night()
    first = desk.file(computer.root / "computer")
    assert (first.exit_code, first.filed) == (0, 5)
    archive = desk.fingerprint()
    second = desk.file(computer.root / "computer")
    assert (second.exit_code, second.filed, second.already_there) == (0, 0, 5)
    assert desk.fingerprint() == archive
    desk.assert_all_valid()


def test_the_same_content_under_another_name_is_the_same_file(computer: Computer, stick: Path, desk: Desk):
    light = computer.frame("light.fits", data=noise(100, 1))
    computer.send(stick)
    desk.file(stick)
    years = desk.root / "from years before"
    years.mkdir()
    shutil.copy2(light, years / "renamed.fit")
    shutil.copy2(light, years / "renamed again.fit")
    outcome = desk.file(years)
    assert (outcome.filed, outcome.already_there, outcome.exit_code) == (0, 2, 0)
    assert {told.to for told in outcome.deliveries[0].files} == {"M 51/data/2026-03-14/Ha/light.fits"}
    assert len(desk.files()) == 1
    desk.assert_all_valid()


def test_the_same_content_twice_in_one_run_is_filed_once(computer: Computer, stick: Path, desk: Desk):
    content = fits(data=noise(100, 1))
    computer.frame("one.fits", content)
    computer.frame("two.fits", content)
    computer.send(stick)
    outcome = desk.file(stick)
    assert (outcome.filed, outcome.already_there, outcome.exit_code) == (1, 1, 0)
    assert list(desk.files().values()) == [content]
    assert outcome.deliveries[0].acknowledged


def test_other_content_under_the_same_name_keeps_both(computer: Computer, stick: Path, desk: Desk):
    one = computer.frame("first half/light_001.fits", data=noise(100, 1))
    two = computer.frame("second half/light_001.fits", data=noise(100, 2))
    computer.send(stick)
    outcome = desk.file(stick)
    assert (outcome.filed, outcome.exit_code) == (2, 0)
    assert desk.files() == {
        "M 51/data/2026-03-14/Ha/light_001.fits": one.read_bytes(),
        "M 51/data/2026-03-14/Ha/light_001 (2).fits": two.read_bytes(),
    }
    assert FindingKind.KEPT_BOTH in kinds(outcome)
    assert desk.file(stick).already_there == 2
    desk.assert_all_valid()


def test_a_log_that_grew_replaces_its_older_part(computer: Computer, stick: Path, desk: Desk):
    computer.frame("light.fits")
    log = computer.log("mount.log", b"22:00 slewing\n")
    computer.send(stick)
    desk.file(stick)
    computer.append(log, b"23:00 parked\n")
    computer.send(stick)
    outcome = desk.file(stick)
    assert (outcome.filed, outcome.already_there, outcome.exit_code) == (1, 1, 0)
    assert desk.files()["nights/2026-03-14/data/logs/mount.log"] == b"22:00 slewing\n23:00 parked\n"
    assert len(desk.files()) == 2
    desk.assert_all_valid()


def test_the_older_part_of_a_log_that_another_drive_still_has_is_there_already(
    computer: Computer, stick: Path, tmp_path: Path, desk: Desk
):
    from tests.support.nights import prepared

    computer.frame("light.fits")
    log = computer.log("mount.log", b"22:00 slewing\n")
    older = prepared(tmp_path / "older", "Birch stick")
    computer.send(older)
    computer.append(log, b"23:00 parked\n")
    computer.send(stick)
    desk.file(stick)
    before = desk.fingerprint()
    outcome = desk.file(older)
    assert (outcome.filed, outcome.already_there, outcome.exit_code) == (0, 2, 0)
    # The archive notes that it has acknowledged this night, too.
    assert {**desk.fingerprint(), ACKNOWLEDGED: None} == {**before, ACKNOWLEDGED: None}


def test_logs_of_two_nights_that_say_the_same_are_kept_with_each_night(
    computer: Computer, stick: Path, desk: Desk
):
    computer.log("2026-03-14/settings.json", b"{}")
    other = computer.log("2026-03-15/settings.json", b"{}")
    os.utime(other, ns=(other.stat().st_mtime_ns + 86400 * 10**9,) * 2)
    from transfer.jobs.send.survey import Scope

    computer.send(stick, scope=Scope(everything=True))
    outcome = desk.file(stick)
    assert sorted(desk.files()) == [
        "nights/2026-03-14/data/logs/2026-03-14/settings.json",
        "nights/2026-03-15/data/logs/2026-03-15/settings.json",
    ]
    assert outcome.filed == 2
    assert desk.file(stick).already_there == 2


def test_a_file_that_does_not_match_its_bag_is_not_filed_and_is_named(
    computer: Computer, stick: Path, desk: Desk
):
    computer.small_night()
    computer.send(stick)
    bad = stick / "2026-03-14/data/frames/M 51/Ha/light 1.fits"
    content = bytearray(bad.read_bytes())
    content[3000] ^= 1
    facts = bad.stat()
    bad.write_bytes(content)
    os.utime(bad, ns=(facts.st_mtime_ns, facts.st_mtime_ns))
    outcome = desk.file(stick)
    assert (outcome.exit_code, outcome.filed, outcome.refused) == (1, 4, 1)
    (finding,) = [one for one in outcome.all_findings() if one.kind is FindingKind.CHANGED]
    assert finding.path == str(bad)
    assert "not what its bag lists" in finding.detail
    assert "M 51/data/2026-03-14/Ha/light 1.fits" not in desk.files()
    assert not outcome.deliveries[0].acknowledged
    assert not list((stick / "2026-03-14/nightferry").glob("acknowledgement*"))
    desk.assert_all_valid()


def test_a_half_written_frame_and_a_broken_header_are_carried_with_their_findings(
    computer: Computer, stick: Path, desk: Desk
):
    computer.frame("half.fits", fits(data=noise(9000, 1))[:7000])
    computer.frame("broken.fits", b"SIMPLE  =                    T" + bytes(6000))
    computer.send(stick)
    outcome = desk.file(stick)
    assert (outcome.exit_code, outcome.filed) == (0, 2)
    half = desk.entry("M 51/data/2026-03-14/Ha/half.fits")
    assert [finding.kind for finding in half.findings] == [FindingKind.DATA_CUT_SHORT]
    broken = desk.entry("nights/2026-03-14/data/frames/broken.fits")
    assert FindingKind.HEADER_UNREADABLE in [finding.kind for finding in broken.findings]


def test_a_half_written_frame_that_is_whole_by_the_next_run_takes_its_place(
    computer: Computer, stick: Path, desk: Desk
):
    whole = fits(data=noise(9000, 1))
    path = computer.frame("light.fits", whole[:7000])
    computer.send(stick)
    desk.file(stick)
    computer.append(path, whole[7000:])
    computer.send(stick)
    outcome = desk.file(stick)
    assert (outcome.filed, outcome.refused) == (1, 0)
    assert desk.files() == {"M 51/data/2026-03-14/Ha/light.fits": whole}
    desk.assert_all_valid()


def test_a_frame_of_no_known_type_goes_with_its_night_and_that_is_said(
    computer: Computer, stick: Path, desk: Desk
):
    computer.frame("odd/focus_1.fits", kind="Focus run")
    computer.send(stick)
    outcome = desk.file(stick)
    assert list(desk.files()) == ["nights/2026-03-14/data/frames/odd/focus_1.fits"]
    (finding,) = outcome.all_findings()
    assert finding.kind is FindingKind.NO_TYPE
    assert "'Focus run'" in finding.detail


def test_several_nights_on_one_drive_are_all_filed(computer: Computer, stick: Path, desk: Desk):
    for night in (14, 15, 16):
        computer.frame(f"light_{night}.fits", begun=f"2026-03-{night}T22:00:00", data=noise(100, night))
        computer.frame(
            f"dark_{night}.fits", begun=f"2026-03-{night}T23:00:00", kind="Dark", data=noise(90, night)
        )
    from transfer.jobs.send.survey import Scope

    computer.send(stick, scope=Scope(everything=True))
    outcome = desk.file(stick)
    assert outcome.exit_code is ExitCode.PROVEN
    assert len(desk.files()) == 6
    assert [account.acknowledged for account in outcome.deliveries] == [True] * 3
    assert len(desk.bags()) == 2
    desk.assert_all_valid()
    assert len(entries(desk.archive / "calibration")) == 3


def test_one_nights_bag_or_a_path_inside_it_can_be_named(computer: Computer, stick: Path, desk: Desk):
    computer.small_night()
    computer.send(stick)
    outcome = desk.file(stick / "2026-03-14" / "data" / "logs")
    assert (outcome.filed, outcome.exit_code) == (5, 0)
    assert outcome.deliveries[0].acknowledged
    assert bagit.Bag(os.fspath(stick / "2026-03-14")).is_valid()


def test_ones_own_names_and_keywords_decide_where_a_frame_goes(
    computer: Computer, stick: Path, tmp_path: Path
):
    header = fits(target="NGC 457", filter_name="narrow red")
    computer.frame("light.fits", header.replace(b"FILTER  ", b"WHEELPOS"))
    computer.send(stick)
    desk = Desk(
        tmp_path / "own desk",
        '[targets]\n"Owl cluster" = ["NGC 457"]\n[filters]\n"Ha" = ["narrow red"]\n'
        '[keywords]\nfilter_name = ["WHEELPOS"]\n',
    )
    planned = desk.file(stick, dry_run=True)
    assert [told.to for told in planned.deliveries[0].files] == ["Owl cluster/data/2026-03-14/Ha/light.fits"]
    desk.file(stick)
    assert list(desk.files()) == ["Owl cluster/data/2026-03-14/Ha/light.fits"]


def test_a_file_that_the_archive_has_lost_is_filed_again_in_its_place(
    computer: Computer, stick: Path, desk: Desk
):
    computer.small_night()
    computer.send(stick)
    desk.file(stick)
    before = desk.files()
    (desk.archive / "M 51/data/2026-03-14/Ha/light 1.fits").unlink()
    log = desk.archive / "nights/2026-03-14/data/logs/mount.log"
    log.write_bytes(log.read_bytes()[:4])
    outcome = desk.file(stick)
    assert (outcome.exit_code, outcome.filed, outcome.already_there) == (0, 2, 3)
    assert desk.files() == before
    desk.assert_all_valid()
    (left,) = (desk.archive / "nights/2026-03-14/nightferry/set-aside").iterdir()
    assert left.read_bytes() == before["nights/2026-03-14/data/logs/mount.log"][:4]


def test_a_damaged_list_of_a_bag_takes_nothing_and_the_other_bags_do(
    computer: Computer, stick: Path, desk: Desk
):
    computer.small_night()
    computer.send(stick)
    desk.file(stick)
    listed = desk.archive / "M 51/nightferry/entries.jsonl"
    damaged = listed.read_bytes().replace(b"600.0", b"900.0")
    listed.write_bytes(damaged)
    computer.frame("new light.fits", data=noise(99, 7))
    computer.frame("new dark.fits", kind="Dark", data=noise(99, 8))
    computer.send(stick)
    outcome = desk.file(stick)
    assert (outcome.exit_code, outcome.filed) == (1, 1)
    assert "The list of this bag is damaged" in " ".join(one.detail for one in outcome.all_findings())
    assert listed.read_bytes() == damaged
    assert not outcome.deliveries[0].acknowledged


def test_empty_files_are_known_by_their_names(computer: Computer, stick: Path, desk: Desk):
    computer.log("guiding.txt", b"")
    computer.log("power.txt", b"")
    outcome = desk.file(computer.logs)
    assert (outcome.filed, outcome.already_there) == (2, 0)
    again = desk.file(computer.logs)
    assert (again.filed, again.already_there) == (0, 2)
    desk.assert_all_valid()


def test_a_frame_without_a_name_goes_with_the_named_ones_of_its_night(
    computer: Computer, stick: Path, desk: Desk
):
    for name, target in (("1 nameless.fits", ""), ("2 named.fits", "M 51")):
        header = fits(target=target)[:2880].rstrip().removesuffix(b"END")
        header += _card("RA", 202.4) + _card("DEC", 47.2) + b"END"
        computer.frame(name, header.ljust(2880) + noise(2880, len(name)))
    computer.send(stick)
    outcome = desk.file(stick)
    assert {path.partition("/")[0] for path in desk.files()} == {"M 51"}
    assert [finding.kind for finding in outcome.all_findings()] == [FindingKind.NO_TARGET]


def test_a_header_that_does_not_fit_time_and_site_is_a_finding_and_the_sky_is_kept_beside_it(
    computer: Computer, stick: Path, desk: Desk
):
    cards = {"RA": 202.4, "DEC": 47.2, "CENTALT": 10.0}
    header = fits(target="M 51")[:2880].rstrip().removesuffix(b"END")
    header += b"".join(_card(*card) for card in cards.items()) + b"END"
    computer.frame("light.fits", header.ljust(2880) + noise(2880))
    computer.send(stick)
    outcome = desk.file(stick)
    entry = desk.entry("M 51/data/2026-03-14/Ha/light.fits")
    assert [finding.kind for finding in entry.findings] == [FindingKind.ALTITUDE_WRONG]
    assert FindingKind.ALTITUDE_WRONG in kinds(outcome)
    assert entry.frame is not None
    assert entry.frame.altitude_deg == 10.0
    assert entry.sky is not None
    assert 45 < (entry.sky.altitude_deg or 0) < 60


def test_an_evening_of_a_hosted_telescope_is_one_night_and_its_sky_is_that_of_there(
    computer: Computer, stick: Path, desk: Desk
):
    """By home's longitude, 1.9° W, the noon of 12:08 UTC would part the evening at 149.1° E."""
    cards = {"SITELAT": -31.3, "SITELONG": 149.1, "RA": 161.3, "DEC": -59.7}
    for hour in (10, 14):
        header = (
            fits(begun=f"2026-03-14T{hour}:00:00", target="Red shoe")[:2880].rstrip().removesuffix(b"END")
        )
        header += b"".join(_card(*card) for card in cards.items()) + b"END"
        computer.frame(f"{hour}.fits", header.ljust(2880) + noise(2880, hour))
    computer.send(stick)
    outcome = desk.file(stick)
    night = "Red shoe/data/2026-03-14/Ha"
    assert sorted(desk.files()) == [f"{night}/10.fits", f"{night}/14.fits"]
    assert FindingKind.SITE_ELSEWHERE in kinds(outcome)
    for hour in (10, 14):
        entry = desk.entry(f"{night}/{hour}.fits")
        assert [finding.kind for finding in entry.findings] == [FindingKind.SITE_ELSEWHERE]
        assert entry.sky is not None
        assert 45 < (entry.sky.altitude_deg or 0) < 65
        assert (entry.sky.sun_altitude_deg or 0) < -12


def _card(key: str, value: float) -> bytes:
    return f"{key:<8}= {value:>20}".ljust(80).encode()


def test_masters_and_results_are_filed_apart_and_their_exposures_are_no_hours(
    computer: Computer, stick: Path, desk: Desk
):
    computer.frame("light_1.fits", data=noise(100, 1))
    computer.frame("stack.fits", kind="Integrated Light", data=noise(100, 2))
    computer.frame("dark_1.fits", kind="Dark", data=noise(100, 3))
    computer.frame("dark_all.fits", kind="Master Dark", data=noise(100, 4))
    computer.send(stick)
    outcome = desk.file(stick)
    assert sorted(desk.files()) == [
        "M 51/data/2026-03-14/Ha/light_1.fits",
        "M 51/data/results/2026-03-14/Ha/stack.fits",
        "calibration/data/camera not given/dark/2026-03-14/dark_1.fits",
        "calibration/data/camera not given/master dark/2026-03-14/dark_all.fits",
    ]
    hours = {where: each.exposure_s / 3600 for where, each in outcome.archives[0].sums().items()}
    assert sum(hours.values()) == pytest.approx(600 / 3600)
    listed = desk.command("targets", "--json").document
    assert listed["hours"] == pytest.approx(600 / 3600, abs=1e-3)
    assert desk.file(stick).already_there == 4


def test_images_that_are_no_fits_are_filed_with_their_night_by_their_times(
    computer: Computer, stick: Path, desk: Desk
):
    computer.frame("light_1.fits", data=noise(100, 1))
    raw = computer.frame("card/sky_0001.dng", noise(5000, 2))
    computer.send(stick)
    assert desk.file(stick).exit_code is ExitCode.PROVEN
    place = "nights/2026-03-14/data/images/frames/card/sky_0001.dng"
    assert desk.files()[place] == raw.read_bytes()
    assert desk.entry(place).frame is None
    years = desk.root / "years"
    years.mkdir()
    shutil.copy2(raw, years / "sky_0002.DNG")
    with (years / "sky_0002.DNG").open("ab") as file:
        file.write(b"more")
    os.utime(years / "sky_0002.DNG", ns=(EVENING_NS, EVENING_NS))
    assert desk.file(years).exit_code is ExitCode.PROVEN
    assert "nights/2026-03-14/data/images/years/sky_0002.DNG" in desk.files()
    desk.assert_all_valid()
