"""One command lets a user read one device: the words of udev(7) and setfacl(1), tried on files here."""

import os
import shlex
import sys

import pytest

if not sys.platform.startswith("linux"):
    pytest.skip("Linux only", allow_module_level=True)

import pwd

from transfer.engine.medium.linux.allowing import command_to_read


@pytest.fixture
def device(tmp_path):
    device = tmp_path / "sdb1"
    device.touch()
    (tmp_path / "by-uuid").mkdir()
    (tmp_path / "sdc1").touch()
    (tmp_path / "by-uuid/0000-0000").symlink_to(tmp_path / "sdc1")
    return device


def test_a_rule_names_the_file_system_of_the_device_and_no_other(device, tmp_path):
    (tmp_path / "by-uuid/1234-ABCD").symlink_to(device)
    command = command_to_read(str(device), tmp_path / "by-uuid", "ada")
    echo, rule, pipe, *rest = shlex.split(command)
    assert (echo, pipe) == ("echo", "|")
    assert rule == 'SUBSYSTEM=="block", ENV{ID_FS_UUID}=="1234-ABCD", OWNER="ada", MODE="0460"'
    assert rest == ["sudo", "tee", "/etc/udev/rules.d/61-nightferry-1234-ABCD.rules"]


def test_without_a_uuid_the_device_itself_is_opened_to_the_user(device, tmp_path):
    command = command_to_read(str(device), tmp_path / "by-uuid", "ada")
    assert shlex.split(command) == ["sudo", "setfacl", "-m", "u:ada:r", str(device)]
    assert shlex.split(command_to_read("/nowhere/sd x", tmp_path / "none", "ada"))[-1] == "/nowhere/sd x"


def test_a_link_with_a_strange_name_is_no_uuid(device, tmp_path):
    (tmp_path / 'by-uuid/1";RUN+="x').symlink_to(device)
    assert "RUN" not in command_to_read(str(device), tmp_path / "by-uuid", "ada")


def test_this_user_is_named(device, tmp_path):
    name = pwd.getpwuid(os.geteuid()).pw_name
    assert f"u:{name}:r" in shlex.split(command_to_read(str(device), tmp_path / "by-uuid"))
