"""Drives as Windows shows them: letters, network shares, the system's own; where each is found again."""

from __future__ import annotations

import pytest

from tests.support.nights import Computer, assert_valid, prepared
from tests.windows.rig import Rig


@pytest.fixture
def computer(rig: Rig) -> Computer:
    made = Computer(rig.root("d") / "imaging")
    made.small_night()
    return made


def test_only_a_folder_on_the_system_s_drive_is_said_to_be_there(rig):
    with rig.volume("e", "exfat", 200):
        ran = rig.run("prepare", "e:", "--name", "Field stick")
        assert ran.exit == 0, ran.err
        assert "Worth a look" not in ran.out
        assert "folder =" not in ran.out
    (rig.user_folder / "stick").mkdir()
    ran = rig.run("prepare", rig.user_folder / "stick", "--name", "Stick")
    assert "is on the same disk as the system" in ran.out


def test_a_network_letter_is_found_by_the_lines_that_prepare_prints(rig, computer):
    ran = rig.run("prepare", "G:", "--name", "Shed")
    assert ran.exit == 0, ran.err
    lines = ran.out.split("Name it in nightferry.toml:\n")[1].splitlines()
    assert lines[2].startswith("  folder = 'G:\\'")
    computer.drives = ["\n".join(line.strip() for line in lines if line != "  [[drive]]")]
    computer.configure()
    sent = rig.run("send", "--config", computer.file, "--json")
    assert (sent.exit, sent.document["nights"][0]["read_back"]) == (0, "perhaps memory")
    assert_valid(rig.root("g") / "2026-03-14")


def test_a_drive_is_found_under_another_letter(rig, computer):
    computer.drives = ['name = "Field stick"']
    computer.configure()
    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        assert rig.run("send", "--config", computer.file).exit == 0
        stick.unmount()
        assert rig.run("send", "--config", computer.file).exit == 3
        computer.frame("M 51/Ha/light 3.fits")
        with rig.volume("f", "exfat", image=stick.image) as again:
            sent = rig.run("send", "--config", computer.file, "--json")
            assert (sent.exit, sent.document["files_proven"]) == (0, 6), sent.out
            assert_valid(again.path / "2026-03-14")
        stick.mount_again()


def test_a_bare_letter_is_the_whole_drive_on_the_command_line_and_in_the_configuration(rig, computer):
    computer.drives = ["name = 'Field stick'\nfolder = 'E:'"]
    computer.configure()
    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        assert rig.run("send", "--config", computer.file).exit == 0
        assert "e:\\2026-03-14" in rig.run("check", "e:").out
        assert rig.run("send", "--config", computer.file, "--drive", "e:").exit == 0
        ran = rig.run("check", "e:2026-03-14")
        assert (ran.exit, "such as e:/2026-03-14" in ran.err) == (2, True)


def test_a_damaged_bag_is_set_aside_and_the_night_sent_anew(rig, computer):
    with rig.volume("e", "ntfs") as stick:
        prepared(stick.path)
        assert rig.run("send", "--config", computer.file).exit == 0
        (stick.path / "2026-03-14/nightferry/entries.jsonl").write_bytes(b"damaged\n")
        computer.frame("M 51/Ha/light 3.fits")
        sent = rig.run("send", "--config", computer.file, "--json")
        assert (sent.exit, sent.document["files_proven"]) == (0, 6), sent.out
        assert_valid(stick.path / "2026-03-14")
        assert (stick.path / "2026-03-14 (set aside 1)/data").is_dir()


def test_where_a_drive_cannot_be_let_go_of_it_is_told_and_the_proof_stands(rig, computer):
    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        ran = rig.run("send", "--drive", "e:", "--config", computer.file, "--eject")
        assert ran.exit == 0, ran.err
        assert "did not let go of 'Field stick' (E:\\)" in ran.err  # Wine has no device that it could eject
        assert_valid(stick.path / "2026-03-14")
