"""What has a system start `send --follow` by itself: written and explained; installed only when asked.

A scheduled task (Windows), a systemd user unit with its timer (Linux), a launch agent (macOS). The forms are
from memory of their vendors' documents: Task Scheduler schema 1.2; systemd.service, systemd.timer and
systemd.syntax; launchd.plist.
"""

from __future__ import annotations

import plistlib
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape

from transfer.errors import ConfigurationError, DriveFailed, ExitCode

NAME = "nightferry-follow"
_TASK = "nightferry follow"
# A follower that was started in the morning ends before the next afternoon; one at work is not started twice.
_HOUR = 15
_INSTALL_S = 60.0
Command = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Starter:
    """What starts the follower on one system.

    `files` are texts by path, as bytes; `when` says in words when it starts. `install` and `remove` are the
    commands that make the system take it, and forget it; `places` are where the system wants the files, by
    their paths, where that is elsewhere. `note` says what else a person should know.
    """

    kind: str
    when: str
    files: dict[Path, bytes]
    install: tuple[Command, ...]
    remove: tuple[Command, ...]
    places: dict[Path, Path]
    note: str = ""


def starter_for(system: str, command: Sequence[str], folder: Path, home: Path, user_id: int = 0) -> Starter:
    """Return what starts a command on a system, by its `sys.platform`; its files go into `folder`."""
    if system == "win32":
        return _scheduled_task(command, folder)
    if system == "darwin":
        return _launch_agent(command, folder, home, user_id)
    return _user_unit(command, folder)


_WHEN = f"when you log in, and every day at {_HOUR}:00"


def _scheduled_task(command: Sequence[str], folder: Path) -> Starter:
    file = folder / f"{NAME}.xml"
    text = f"""<?xml version="1.0" encoding="UTF-16"?>
<Task version="1.2" xmlns="http://schemas.microsoft.com/windows/2004/02/mit/task">
  <RegistrationInfo>
    <Description>Carries each frame of the night to the drive, and proves it.</Description>
  </RegistrationInfo>
  <Triggers>
    <LogonTrigger><Enabled>true</Enabled></LogonTrigger>
    <CalendarTrigger>
      <StartBoundary>2026-01-01T{_HOUR}:00:00</StartBoundary>
      <Enabled>true</Enabled>
      <ScheduleByDay><DaysInterval>1</DaysInterval></ScheduleByDay>
    </CalendarTrigger>
  </Triggers>
  <Principals>
    <Principal id="Author">
      <LogonType>InteractiveToken</LogonType>
      <RunLevel>LeastPrivilege</RunLevel>
    </Principal>
  </Principals>
  <Settings>
    <MultipleInstancesPolicy>IgnoreNew</MultipleInstancesPolicy>
    <DisallowStartIfOnBatteries>false</DisallowStartIfOnBatteries>
    <StopIfGoingOnBatteries>false</StopIfGoingOnBatteries>
    <StartWhenAvailable>true</StartWhenAvailable>
    <ExecutionTimeLimit>PT0S</ExecutionTimeLimit>
    <Priority>7</Priority>
  </Settings>
  <Actions Context="Author">
    <Exec>
      <Command>{escape(command[0])}</Command>
      <Arguments>{escape(subprocess.list2cmdline(command[1:]))}</Arguments>
    </Exec>
  </Actions>
</Task>
"""
    return Starter(
        "a scheduled task",
        _WHEN,
        {file: text.replace("\n", "\r\n").encode("utf-16")},
        install=(("schtasks", "/Create", "/TN", _TASK, "/XML", str(file), "/F"),),
        remove=(("schtasks", "/Delete", "/TN", _TASK, "/F"),),
        places={},
    )


def _user_unit(command: Sequence[str], folder: Path) -> Starter:
    service, timer = folder / f"{NAME}.service", folder / f"{NAME}.timer"
    units = folder.parent / "systemd" / "user"  # beside ours in the user's configuration folder
    service_text = f"""[Unit]
Description=Carries each frame of the night to the drive, and proves it

[Service]
ExecStart={" ".join(map(_unit_word, command))}
SuccessExitStatus={int(ExitCode.STOPPED_EARLY)}
Nice=10
IOSchedulingClass=idle
"""
    timer_text = f"""[Unit]
Description=Starts {NAME} with the session and every afternoon

[Timer]
OnStartupSec=1min
OnCalendar=*-*-* {_HOUR}:00:00

[Install]
WantedBy=timers.target
"""
    control = ("systemctl", "--user")
    return Starter(
        "a systemd user unit and its timer",
        _WHEN,
        {service: service_text.encode(), timer: timer_text.encode()},
        install=((*control, "daemon-reload"), (*control, "enable", "--now", timer.name)),
        remove=((*control, "disable", "--now", timer.name),),
        places={service: units / service.name, timer: units / timer.name},
        note="A user's units end when the user logs out, but for: loginctl enable-linger",
    )


def _unit_word(word: str) -> str:
    """Quote a word of ExecStart: % and $ mean something there, and a backslash begins an escape."""
    quoted = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{quoted}"'


def _launch_agent(command: Sequence[str], folder: Path, home: Path, user_id: int) -> Starter:
    label = "nightferry.follow"
    file = folder / f"{label}.plist"
    place = home / "Library" / "LaunchAgents" / file.name
    content = plistlib.dumps(
        {
            "Label": label,
            "ProgramArguments": list(command),
            "RunAtLoad": True,
            "StartCalendarInterval": {"Hour": _HOUR, "Minute": 0},
            "ProcessType": "Background",
            "LowPriorityIO": True,
        }
    )
    return Starter(
        "a launch agent",
        _WHEN,
        {file: content},
        install=(("launchctl", "bootstrap", f"gui/{user_id}", str(place)),),
        remove=(("launchctl", "bootout", f"gui/{user_id}/{label}"),),
        places={file: place},
    )


def write_starter(starter: Starter) -> None:
    """Write its files. Raises ConfigurationError where another file is there, or none can be written."""
    for path, content in starter.files.items():
        _write(path, content)


def _write(path: Path, content: bytes) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and path.read_bytes() != content:
            step = "It stays as it is: somebody may have changed it. Move it away, then do this again."
            raise ConfigurationError("There is another one already", path, step)
        path.write_bytes(content)
    except OSError as error:
        raise ConfigurationError(f"It cannot be written ({error.strerror})", path) from error


def install(starter: Starter, run: Callable[[Command], str]) -> None:
    """Put the files where the system wants them and have it take them.

    `run` runs a command and returns why it failed, empty where it did not. Raises ConfigurationError and
    DriveFailed.
    """
    for path, place in starter.places.items():
        _write(place, starter.files[path])
    for command in starter.install:
        why = run(command)
        if why:
            step = f"What was written stays. To undo it: {shown_commands(starter.remove)}"
            raise DriveFailed(f"The system did not take it ({why})", " ".join(command), step)


def run_command(command: Command) -> str:
    """Run one of the system's own commands; return why it failed, empty where it did not."""
    try:
        # The system's own program, with words that are made here.
        done = subprocess.run(  # noqa: S603
            command,
            capture_output=True,
            text=True,
            errors="replace",
            stdin=subprocess.DEVNULL,
            timeout=_INSTALL_S,
            check=False,
        )
    except (OSError, subprocess.SubprocessError) as error:
        return str(getattr(error, "strerror", None) or error)
    return "" if done.returncode == 0 else (done.stderr or done.stdout).strip() or f"exit {done.returncode}"


def shown_commands(commands: Sequence[Command]) -> str:
    """Return commands as a person types them."""
    return " && ".join(subprocess.list2cmdline(command) for command in commands)
