"""Every module loads, and every command explains itself, where Linux's own modules and names are not.

Windows and macOS cannot be run here. A process of its own is made as poor as they are: the modules that they
lack cannot be imported, the names that they lack are taken off `os`, `signal` and the like, and the program
is loaded anew in it. What those names are, Python's documentation says ("Availability: Unix", "Linux").
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[2]
COMMANDS = [
    "check",
    "file",
    "frames",
    "gather",
    "index",
    "nights",
    "page",
    "plan",
    "prepare",
    "send",
    "setup",
    "targets",
]

# What runs in the poorer process. `Linux's own rooms` are the ones that this system's class lives in.
PROGRAM = """
import errno, json, os, pathlib, pkgutil, signal, sys
import importlib, click.testing, encodings.idna, humanize, tqdm, xxhash  # these are other people's to port
import ctypes, mmap, multiprocessing, sqlite3, subprocess, tempfile, tomllib, unittest.mock, urllib.request
from concurrent import futures

asked = json.loads(sys.argv[1])
sys.path.insert(0, asked["project"])
for name in asked["lacks_modules"]:
    sys.modules[name] = None
for module, lacks in ((os, "lacks_os"), (signal, "lacks_signal"), (errno, "lacks_errno")):
    for name in asked[lacks]:
        if hasattr(module, name):
            delattr(module, name)
sys.platform = asked["platform"]
if asked["platform"] == "win32":
    os.name = "nt"
    pathlib._windows_flavour.is_supported = True
assert not [name for name in sys.modules if name.partition(".")[0] in ("transfer", "manifests")]

import transfer.cli.main
import transfer, manifests
loaded = []
for package in (transfer, manifests):
    for found in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        rooms = found.name.split(".")
        not_its_own = "medium" in rooms and set(rooms) & set(asked["not_its_rooms"])
        if rooms[-1] == "__main__" or not_its_own:
            continue
        importlib.import_module(found.name)
        loaded.append(found.name)
said = {}
for command in asked["commands"]:
    result = click.testing.CliRunner().invoke(transfer.cli.main.main, [command, "--help"])
    said[command] = [result.exit_code, result.output.split("\\n")[0], repr(result.exception)]
print(json.dumps({"loaded": loaded, "said": said}))
"""

WINDOWS_LACKS = {
    "platform": "win32",
    "not_its_rooms": ["linux", "posix", "macos"],
    "lacks_modules": ["fcntl", "resource", "grp", "pwd", "termios", "tty", "pty", "syslog", "posix"],
    "lacks_os": [
        *(
            "fork",
            "forkpty",
            "setpgid",
            "getpgid",
            "killpg",
            "setsid",
            "geteuid",
            "getuid",
            "getgid",
            "uname",
        ),
        *("O_DIRECTORY", "O_NOFOLLOW", "O_CLOEXEC", "O_NONBLOCK", "O_NOCTTY", "O_PATH", "O_DIRECT", "O_SYNC"),
        *("posix_fadvise", "POSIX_FADV_DONTNEED", "POSIX_FADV_SEQUENTIAL", "posix_fallocate"),
        *("fstatvfs", "statvfs", "sync", "fdatasync", "readv", "writev", "pread", "pwrite", "preadv"),
        *("mknod", "mkfifo", "chown", "lchown", "fchown", "fchmod", "chroot", "sched_getaffinity"),
        *("major", "minor", "makedev", "WNOHANG", "sendfile", "copy_file_range", "getxattr", "nice"),
    ],
    "lacks_signal": [
        *("SIGHUP", "SIGTTOU", "SIGTTIN", "SIGURG", "SIGUSR1", "SIGUSR2", "SIGKILL", "SIGALRM", "SIGPIPE"),
        *("pthread_sigmask", "SIG_BLOCK", "SIG_SETMASK", "SIG_UNBLOCK", "setitimer", "alarm", "sigwait"),
    ],
    "lacks_errno": ["ENOMEDIUM", "EMEDIUMTYPE"],
}
MACOS_LACKS = {
    "platform": "darwin",
    "not_its_rooms": ["linux"],
    "lacks_modules": ["spwd", "ossaudiodev"],
    "lacks_os": [
        *("O_PATH", "O_DIRECT", "posix_fadvise", "POSIX_FADV_DONTNEED", "POSIX_FADV_SEQUENTIAL"),
        *("posix_fallocate", "sched_getaffinity", "copy_file_range", "getxattr", "fdatasync"),
    ],
    "lacks_signal": ["SIGPWR", "SIGPOLL", "SIGSTKFLT"],
    "lacks_errno": ["ENOMEDIUM", "EMEDIUMTYPE"],
}


@pytest.fixture(scope="module", params=[WINDOWS_LACKS, MACOS_LACKS], ids=["windows", "macos"])
def seen(request):
    asked = request.param | {"project": str(PROJECT), "commands": COMMANDS}
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, json.dumps(asked)],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONDONTWRITEBYTECODE": "1"},
        stdin=subprocess.DEVNULL,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return request.param, json.loads(done.stdout)


def test_every_module_loads_without_what_that_system_lacks(seen):
    lacking, told = seen
    own = "windows" if lacking["platform"] == "win32" else "macos"
    assert f"transfer.engine.medium.{own}" in told["loaded"]
    assert len(told["loaded"]) > 200
    assert {f"transfer.cli.{command}" for command in COMMANDS} <= set(told["loaded"])


def test_every_command_explains_itself_there(seen):
    told = seen[1]["said"]
    assert {name: said[0] for name, said in told.items()} == dict.fromkeys(COMMANDS, 0), told
    assert all(said[1].startswith("Usage: ") for said in told.values())
