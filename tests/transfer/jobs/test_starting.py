"""What starts the follower by itself: each system's form is read by what reads such forms."""

import os
import plistlib
import shlex
import shutil
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from tests.support.followers import FOLLOWS_FAST
from tests.support.nights import Computer, prepared, run
from transfer.errors import ConfigurationError, DriveFailed
from transfer.jobs.starting import install, run_command, starter_for, write_starter

COMMAND = ["/opt/py & more/python", "-m", "transfer", "send", "--config", '/home/a b/100% "$x".toml']
TASK = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"


def starter(system, tmp_path):
    return starter_for(system, COMMAND, tmp_path / "config/nightferry", tmp_path / "home", 501)


def test_a_scheduled_task_is_xml_and_has_the_command(tmp_path):
    (content,) = starter("win32", tmp_path).files.values()
    task = ET.fromstring(content.decode("utf-16"))  # what the form's first line says it is
    assert task.find(f".//{TASK}Command").text == COMMAND[0]
    assert task.find(f".//{TASK}Arguments").text == subprocess.list2cmdline(COMMAND[1:])
    assert task.find(f".//{TASK}MultipleInstancesPolicy").text == "IgnoreNew"
    assert task.find(f".//{TASK}ExecutionTimeLimit").text == "PT0S"


def test_a_launch_agent_is_a_property_list_and_has_the_command(tmp_path):
    (content,) = starter("darwin", tmp_path).files.values()
    assert plistlib.loads(content)["ProgramArguments"] == COMMAND


def test_a_unit_has_every_word_of_the_command_quoted(tmp_path):
    unit = next(
        content for path, content in starter("linux", tmp_path).files.items() if path.suffix == ".service"
    )
    line = next(line for line in unit.decode().splitlines() if line.startswith("ExecStart="))
    words = shlex.split(line.removeprefix("ExecStart="))
    assert [word.replace("%%", "%").replace("$$", "$") for word in words] == COMMAND


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze")
def test_systemd_takes_the_unit_and_the_timer(tmp_path):
    made = starter_for("linux", ["/bin/true", "100% $x"], tmp_path / "config/nightferry", tmp_path)
    write_starter(made)
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *map(str, made.files)],
        capture_output=True,
        text=True,
        check=False,
    )
    ours = [line for line in done.stderr.splitlines() if "nightferry" in line]
    assert (done.returncode, ours) == (0, [])


@pytest.mark.parametrize("system", ["win32", "darwin", "linux"])
def test_installing_puts_the_files_in_place_and_runs_the_systems_command(tmp_path, system):
    made, ran = starter(system, tmp_path), []
    write_starter(made)
    install(made, lambda command: ran.append(command) or "")
    assert ran == list(made.install)
    for path, place in made.places.items():
        assert place.read_bytes() == made.files[path]
    assert all(isinstance(word, str) for command in ran for word in command)


def test_a_system_that_refuses_is_named_with_its_words_and_how_to_undo_it(tmp_path):
    made = starter("win32", tmp_path)
    with pytest.raises(DriveFailed) as caught:
        install(made, lambda _: "Access is denied.")
    assert "Access is denied." in str(caught.value)
    assert "/Delete" in caught.value.next_step


def test_what_somebody_changed_stays(tmp_path):
    made = starter("linux", tmp_path)
    write_starter(made)
    write_starter(made)
    changed = next(iter(made.files))
    changed.write_text("changed")
    with pytest.raises(ConfigurationError):
        write_starter(made)
    assert changed.read_text() == "changed"


def test_a_command_that_fails_or_is_not_there_says_why(tmp_path):
    assert run_command(("true",)) == ""
    assert run_command(("sh", "-c", "echo no >&2; exit 3")) == "no"
    assert run_command((str(tmp_path / "nothing"),)) != ""


def test_setup_start_writes_and_explains_and_installs_nothing(tmp_path):
    computer = Computer(tmp_path / "night")
    home = tmp_path / "home"
    home.mkdir()
    environ = {"HOME": str(home), "XDG_CONFIG_HOME": str(home / ".config")}
    ran = run("setup", "--start", "--config", computer.file, environ=environ)
    assert (ran.exit, ran.err) == (0, "")
    assert "Nothing is installed yet." in ran.out
    written = [path for path in home.rglob("*") if path.is_file()]
    assert written
    assert {path.parent for path in written} == {home / ".config" / "nightferry"}
    for path in written:
        assert str(path) in ran.out
    document = run("setup", "--start", "--json", "--config", computer.file, environ=environ).document
    assert (document["installed"], sorted(document["files"])) == (False, sorted(map(str, written)))


_MANAGER = Path("/usr/lib/systemd/systemd")
# A user's own systemd, in a mount namespace of its own: only there /run says that the system has one.
_IN_A_SESSION = f"""\
set -eu
mount -t tmpfs tmpfs /run
mkdir -p /run/systemd/system "$XDG_RUNTIME_DIR"
chmod 700 "$XDG_RUNTIME_DIR"
{_MANAGER} --user --log-target=null &
manager=$!
trap 'kill $manager; wait $manager || true' EXIT
for _ in $(seq 50); do systemctl --user list-timers >/dev/null 2>&1 && break; sleep 0.2; done
systemctl --user list-timers >/dev/null 2>&1 || exit 77
nightferry() {{ {sys.executable} -m transfer "$@" --config "$CONFIG"; }}
service=nightferry-follow.service
nightferry setup --start --install
systemctl --user is-enabled nightferry-follow.timer
follow() {{
    systemctl --user start $service
    for _ in $(seq 100); do nightferry now | grep "1 frame " && return; sleep 0.2; done
    return 1
}}
follow
nightferry send
for _ in $(seq 100); do systemctl --user is-active $service >/dev/null || break; sleep 0.2; done
systemctl --user show -p Result -p ActiveState $service
follow
systemctl --user stop $service
systemctl --user show -p Result -p ActiveState $service
systemctl --user disable --now nightferry-follow.timer
systemctl --user is-enabled nightferry-follow.timer || echo forgotten
"""


@pytest.mark.skipif(
    not (_MANAGER.exists() and shutil.which("unshare")) or os.geteuid() != 0, reason="needs systemd and root"
)
def test_systemd_runs_what_was_installed_and_send_takes_over_from_it(tmp_path):
    stick = prepared(tmp_path / "stick")
    drive = [f'name = "Field stick"\nfolder = "{stick}"']
    computer = Computer(tmp_path / "night", drives=drive, more=FOLLOWS_FAST)
    computer.frame("light.fits")
    home = tmp_path / "home"
    environ = {
        **os.environ,
        "HOME": str(home),
        "XDG_CONFIG_HOME": str(home / ".config"),
        "XDG_RUNTIME_DIR": "/run/user/0",
        "CONFIG": str(computer.file),
    }
    script = ["unshare", "--mount", "--propagation", "private", "bash", "-c", _IN_A_SESSION]
    ran = subprocess.run(script, env=environ, capture_output=True, text=True, check=False, timeout=120)
    if ran.returncode == 77:
        pytest.skip("no systemd of a user's own can be started here")
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "SAFE ON 'Field stick': 1 frame." in ran.stdout
    # In order both times: after it has handed over, and after the system told it to end.
    assert ran.stdout.count("Result=success\nActiveState=inactive") == 2, ran.stdout
    assert ran.stdout.endswith("forgotten\n")


def test_install_alone_is_no_order(tmp_path):
    ran = run("setup", "--install", "--config", Path(tmp_path / "new.toml"))
    assert (ran.exit, "--start" in ran.err) == (2, True)
    assert not (tmp_path / "new.toml").exists()
