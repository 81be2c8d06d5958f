"""A night on Windows from setup to gather, with the real command, on real volumes that letters lead to."""

from __future__ import annotations

import csv

import pytest

from tests.support.nights import Computer, assert_valid, listed_truly, noise, prepared, run

GREEK = "NGC 4565/Hα/licht 1 – Übersicht.fits"


@pytest.fixture
def computer(rig):
    """An imaging computer below the user's own folder: spaces, umlauts and Greek in its paths."""
    made = Computer(rig.user_folder / "Nächte am Rohr")
    for number in (1, 2):
        made.frame(f"M 51/Ha/light {number}.fits", data=noise(5000, number))
    made.frame(GREEK, target="NGC 4565", data=noise(6000, 7))
    made.frame("Darks/dark 1.fits", kind="Dark Frame", target="", data=noise(3000, 3))
    made.log("mount.log", b"22:00 slewing\n")
    made.log("Wetter/2026-03-14/mast.csv", b"time,deg_c\n22:00,4.5\n")
    return made


def _told(ran, exit_code=0):
    assert ran.exit == exit_code, ran.out + ran.err
    assert "Traceback" not in ran.err
    return ran.document


def test_a_night_goes_from_the_telescope_through_the_drive_into_the_archive(rig, computer):
    before = computer.fingerprint()
    config = ("--config", computer.file)
    with rig.volume("e", "exfat", 200) as stick:
        assert _told(rig.run("prepare", "E:", "--name", "Field stick", "--json"))["path"] == "E:\\"
        assert _told(rig.run("plan", *config, "--json"))["exit"] == 0
        sent = _told(rig.run("send", *config, "--json"))
        assert (sent["files_proven"], sent["files_unproven"], sent["safe_to_pull"]) == (6, 0, True)
        assert computer.fingerprint() == before
        assert "SAFE ON 'Field stick'" in (stick.path / "READ ME FIRST.txt").read_text(encoding="utf-8")
        assert_valid(stick.path / "2026-03-14")
        assert f"data/frames/{GREEK}" in listed_truly(stick.path / "2026-03-14")
        again = _told(rig.run("send", *config, "--json"))
        assert again["message"].startswith("Nothing new to send")
        assert _told(rig.run("check", "E:", "--json"))["bags"][0]["verified"] == 6
        _file_and_browse(rig, computer, stick)


def _file_and_browse(rig, computer, stick):
    archive = rig.root("d") / "Archiv ü"
    archive.mkdir()
    computer.more = '[archive]\nfolder = "D:/Archiv ü"\n'
    computer.configure()
    config = ("--config", computer.file)
    assert _told(rig.run("file", *config, "--json"))["filed"] == 6
    assert list(stick.path.glob("2026-03-14/nightferry/acknowledgement-*.json"))
    for bag in ("M 51", "NGC 4565", "calibration", "nights/2026-03-14"):
        assert_valid(archive / bag)
    assert _told(rig.run("file", *config, "--json"))["already_there"] == 6
    assert [each["target"] for each in _told(rig.run("targets", *config, "--json"))["targets"]] == [
        "M 51",
        "NGC 4565",
    ]
    assert len(_told(rig.run("nights", *config, "--json"))["nights"]) == 1
    found = _told(rig.run("frames", "--target", "ngc4565", *config, "--json"))["frames"]
    assert found[0]["path"].endswith("licht 1 – Übersicht.fits")
    _gather(rig, config)


def _gather(rig, config):
    laid_out = rig.root("d") / "Bearbeitung/M 51"
    told = rig.run("gather", "m51", "--into", "D:\\Bearbeitung\\M 51", *config, "--json")
    assert told.exit == 1, "there are no flats"
    lights = sorted(path.name for path in laid_out.glob("lights/M 51/Ha/2026-03-14/*"))
    assert lights == ["light 1.fits", "light 2.fits"]
    with (laid_out / "M 51 matches.csv").open(encoding="utf-8", newline="") as file:
        assert len(list(csv.reader(file))) > 2


def test_setup_finds_the_night_and_what_it_writes_is_used_without_a_word_more(rig, computer):
    with rig.volume("e", "ntfs", 200) as stick:
        assert rig.run("prepare", "e:\\", "--name", "Stick für den Garten").exit == 0
        made = rig.run("setup")
        assert made.exit == 0, made.err
        assert "AppData\\Roaming\\nightferry\\nightferry.toml" in made.out
        sent = _told(rig.run("send", "--json"))
        assert sent["nights"][0]["drive"] == "Stick für den Garten"
        assert sent["files_unproven"] == 0
        assert_valid(stick.path / "2026-03-14")


@pytest.mark.parametrize("kind", ["exfat", "ntfs", "fat32"])
def test_a_bag_made_on_windows_holds_on_linux_and_one_made_on_linux_holds_there(rig, computer, kind):
    count = 6
    if kind == "fat32":
        (computer.frames / GREEK).unlink()  # which Linux' driver in user space does not take
        count = 5
    with rig.volume("e", kind, 64) as stick:
        prepared(stick.path)
        assert _told(rig.run("send", "--config", computer.file, "--json"))["exit"] == 0
        stick.unmount()
        stick.mount_again()
        assert_valid(stick.path / "2026-03-14")
        assert run("check", stick.path).exit == 0
        linux = stick.path / "of Linux"
        prepared(linux)
        sent = run("send", "--drive", linux, "--config", computer.file, "--json")
        assert sent.exit == 0, sent.out
        checked = _told(rig.run("check", "E:\\of Linux", "--json"))
        assert [bag["verified"] for bag in checked["bags"]] == [count]
        frame = stick.path / "of Linux/2026-03-14/data/frames/M 51/Ha/light 1.fits"
        with frame.open("r+b") as file:
            file.write(b"x")
        assert _told(rig.run("check", "E:\\of Linux", "--json"), 1)["bags"][0]["changed"]
