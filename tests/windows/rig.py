"""The rig that make_rig.sh builds: Windows' Python and nightferry.exe under Wine, letters, processes."""

from __future__ import annotations

import atexit
import contextlib
import fcntl
import functools
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.support.nights import Ran
from tests.support.volumes import Volume, unavailable, volume_in

HERE = Path(__file__).parent
ENDS_WITHIN_S = 120
_LETTERS = "defgh"
_HELD = b"HELD\n"
# What a program of Windows writes into a pipe, where it is not told otherwise.
PIPE = "cp1252"


def default_home() -> Path:
    """Return where make_rig.sh puts the rig unless it is told otherwise."""
    return Path(os.environ.get("NIGHTFERRY_RIG") or Path(tempfile.gettempdir()) / "nightferry-rig")


def missing() -> str:
    """Return why there is no rig to run on, with what to do about it; empty where there is one."""
    if shutil.which("wine") is None:
        return "needs Wine, and the rig that tests/windows/make_rig.sh builds on Debian 12"
    if not (default_home() / "rig.made").exists():
        return f"needs the rig that tests/windows/make_rig.sh builds in {default_home()}"
    return ""


@dataclass(frozen=True)
class Rig:
    """Windows' Python under Wine, with the nightferry of this checkout installed in it."""

    home: Path

    # Places

    def root(self, letter: str) -> Path:
        """Return the folder that a drive letter leads to."""
        return self.home / "volumes" / letter.lower()

    @property
    def user_folder(self) -> Path:
        """The user's own folder, %USERPROFILE%."""
        return next(each for each in (self.home / "prefix/drive_c/users").iterdir() if each.name != "Public")

    def name_of(self, path: str | os.PathLike[str]) -> str:
        r"""Return what Windows calls a path of this machine: below a letter that leads there, else `Z:`."""
        whole = Path(path)
        for letter, root in (
            *((each, self.root(each)) for each in _LETTERS),
            ("c", self._c),
            ("z", Path("/")),
        ):
            if whole.is_relative_to(root):
                return f"{letter.upper()}:\\" + os.fspath(whole.relative_to(root)).replace("/", "\\").strip(
                    "."
                )
        raise ValueError(f"no letter leads to {whole}")

    @property
    def _c(self) -> Path:
        return self.home / "prefix/drive_c"

    @contextlib.contextmanager
    def volume(
        self, letter: str, kind: str, size_mb: int = 64, image: Path | None = None
    ) -> Iterator[Volume]:
        """Mount a real volume that a drive letter leads to: a new one, or what is in an image."""
        with tempfile.TemporaryDirectory(prefix="nightferry-image-") as folder:
            place = image or Path(folder) / "image"
            if image is None:
                with place.open("wb") as file:
                    file.truncate(size_mb << 20)
            with volume_in(kind, place, self.root(letter), new=image is None) as mounted:
                yield mounted

    # Programs

    def environment(self, more: Mapping[str, str] | None = None) -> dict[str, str]:
        """Return what a program of Windows is started with: nothing of the person's own configuration."""
        kept = {name: value for name, value in os.environ.items() if not name.startswith("NIGHTFERRY")}
        kept.pop("DISPLAY", None)
        return kept | {
            "WINEPREFIX": str(self.home / "prefix"),
            "WINEARCH": "win64",
            "WINEDEBUG": "-all",
            "WINEDLLOVERRIDES": "mscoree,mshtml,winemenubuilder.exe=",
            "LC_ALL": "C.UTF-8",
            "PYTHONPYCACHEPREFIX": "C:\\pycache",  # else every start compiles what it imports
            **(more or {}),
        }

    def python(self, *words: str | Path) -> list[str]:
        """Return how this machine starts Windows' Python."""
        return ["wine", str(self.home / "py/python.exe"), *self.words(*words)]

    def nightferry(self, *words: str | Path) -> list[str]:
        """Return how this machine starts the installed program."""
        return ["wine", str(self.home / "py/Scripts/nightferry.exe"), *self.words(*words)]

    def words(self, *words: str | Path) -> list[str]:
        """Return a command line's words, each path by its name on Windows."""
        return [self.name_of(word) if isinstance(word, Path) else word for word in words]

    def start(self, command: list[str], *, environ: Mapping[str, str] | None = None, **more: Any) -> Any:
        """Start a program, its output piped. Wine takes no plain file for a standard stream."""
        streams = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        return subprocess.Popen(command, **{"cwd": self._c, **streams, **more}, env=self.environment(environ))

    def ended(self, process: Any, ends_within_s: float = ENDS_WITHIN_S) -> Ran:
        """Wait for a program's end, which it has to find by itself."""
        try:
            out, err = process.communicate(timeout=ends_within_s)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
        said, told = _text(out), _text(err)
        if process.returncode and not (said or told):
            told = (err or b"").decode(PIPE, "replace")  # it may be Wine that could not go on
        return Ran(process.returncode, said, told)

    def call(self, command: list[str], *, ends_within_s: float = ENDS_WITHIN_S, **more: Any) -> Ran:
        """Run a program to its end."""
        return self.ended(self.start(command, **more), ends_within_s)

    def run(self, *words: str | Path, **more: Any) -> Ran:
        """Run the installed program to its end."""
        return self.call(self.nightferry(*words), **more)

    def batch(self, text: str, environ: Mapping[str, str] | None = None, **more: Any) -> Ran:
        """Have Wine's cmd run a batch file, which lies on D:, with nightferry on its PATH."""
        file = self.root("d") / "night.bat"
        file.write_bytes(text.replace("\n", "\r\n").encode("ascii"))
        path = {"WINEPATH": self.name_of(self.home / "py/Scripts")}
        return self.call(["wine", "cmd", "/c", "d:\\night.bat"], environ=path | dict(environ or {}), **more)

    # Programs that hold still: at_a_call.py and hold.py say HELD, and go on when their input ends

    def at_a_call(self, mode: str, number: int, *words: str | Path) -> Any:
        """Start a command of the product that is counted, killed or held at one of its calls."""
        command = self.python(HERE / "at_a_call.py", mode, str(number), *words)
        return self.start(command, stdin=subprocess.PIPE)

    @contextlib.contextmanager
    def another_program_holds(self, how: str, file: Path) -> Iterator[None]:
        """Have another program hold a file: see hold.py."""
        process = self.start(self.python(HERE / "hold.py", how, file), stdin=subprocess.PIPE)
        assert self.is_held(process), "the file cannot be held"
        try:
            yield
        finally:
            self.let_go(process)

    @staticmethod
    def is_held(process: Any) -> bool:
        """Wait until a program holds still; return whether it did before its end."""
        said = b""
        while _HELD not in said:
            more = os.read(process.stderr.fileno(), 4096)
            if not more:
                return False
            said += more
        return True

    def let_go(self, process: Any) -> Ran:
        """Let a program that holds still go on, to its end."""
        process.stdin.close()
        process.stdin = None
        return self.ended(process)

    # Beginning and end

    @contextlib.contextmanager
    def alone(self) -> Iterator[None]:
        """Keep other test runs off the rig, bring it to this checkout, and have Wine stay started."""
        with (self.home / "lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            subprocess.run([HERE / "make_rig.sh", self.home], check=True, capture_output=True)
            self._server("-k", check=False)
            self._server("-p")
            # The services start with the first program, and would hold its pipes open.
            self._quietly("wine", "cmd", "/c", "exit")
            try:
                yield
            finally:
                self._server("-k", check=False)

    def _server(self, *words: str, check: bool = True) -> None:
        self._quietly("wineserver", *words, check=check)

    def _quietly(self, *command: str, check: bool = True) -> None:
        nothing = subprocess.DEVNULL
        subprocess.run(
            command, env=self.environment(), stdin=nothing, stdout=nothing, stderr=nothing, check=check
        )

    def clean(self) -> None:
        """Empty what a test may have left: the fixed drive, the user's own folder."""
        places = (*self.root("d").iterdir(), *self.root("g").iterdir(), *self.user_folder.iterdir())
        for path in (*places, self.user_folder / "AppData/Roaming/nightferry"):
            if path.is_dir() and path.name != "AppData":
                shutil.rmtree(path)
            elif path.is_file():
                path.unlink()


def _text(said: bytes | None) -> str:
    """Return what a program said, without what Wine itself says of a volume that it cannot look into."""
    lines = (said or b"").decode(PIPE, "replace").replace("\r\n", "\n").splitlines(keepends=True)
    return "".join(line for line in lines if not line.startswith("wine: "))


def the_rig() -> Rig:
    """Return the rig, held until this process ends; skip, or in CI fail, where there is none."""
    reason = missing()
    if reason:
        unavailable(reason)
    return _held_rig()


@functools.cache
def _held_rig() -> Rig:
    rig = Rig(default_home().resolve())
    held = contextlib.ExitStack()
    atexit.register(held.close)
    held.enter_context(rig.alone())
    return rig
