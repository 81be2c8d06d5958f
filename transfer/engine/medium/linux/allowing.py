"""How a user who may not read a drive's device gets to read that device, and no other."""

from __future__ import annotations

import os
import pwd
import re
import shlex
from pathlib import Path

_BY_UUID = Path("/dev/disk/by-uuid")
_UUID = re.compile(r"[0-9A-Za-z-]{1,64}")


def command_to_read(device: str, by_uuid: Path = _BY_UUID, user: str | None = None) -> str:
    """Return the command that an administrator gives to let this user read one device.

    A rule for the file system's UUID holds whenever the drive is plugged in (udev(7): ENV, OWNER, MODE; a
    number above 60 is read after the UUID is known). Without a UUID the device as it is plugged in now
    is opened to the user (setfacl(1)), until it is unplugged.
    """
    name = user or _user()
    uuid = _uuid_of(device, by_uuid)
    if uuid is None:
        return shlex.join(["sudo", "setfacl", "-m", f"u:{name}:r", device])
    rule = f'SUBSYSTEM=="block", ENV{{ID_FS_UUID}}=="{uuid}", OWNER="{name}", MODE="0460"'
    place = f"/etc/udev/rules.d/61-nightferry-{uuid}.rules"
    return f"echo {shlex.quote(rule)} | sudo tee {place}"


def _user() -> str:
    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return str(os.geteuid())


def _uuid_of(device: str, by_uuid: Path) -> str | None:
    try:
        found = [link.name for link in sorted(by_uuid.iterdir()) if os.path.samefile(link, device)]  # noqa: PTH121
    except OSError:
        return None
    return next((uuid for uuid in found if _UUID.fullmatch(uuid)), None)
