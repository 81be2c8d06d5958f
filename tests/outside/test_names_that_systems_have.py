"""Each name of the standard library that is used is there on Windows and macOS, says the typeshed project.

Source: typeshed's stubs of the standard library, the copy that mypy brings (mypy/typeshed/stdlib). They
say with `if sys.platform` what each system has.
"""

import ast
from collections.abc import Iterator
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[2]
STUBS = Path(find_spec("mypy").origin).parent / "typeshed/stdlib"
MODULES = {
    "os": "os/__init__.pyi",
    "signal": "signal.pyi",
    "errno": "errno.pyi",
    "mmap": "mmap.pyi",
    "time": "time.pyi",
    "stat": "_stat.pyi",
    "fcntl": "fcntl.pyi",
}
# These rooms are loaded on their own systems only.
OWN_ROOMS = {
    "win32": ("medium/linux", "medium/posix", "medium/macos"),
    "darwin": ("medium/linux", "medium/windows"),
}
# What is used behind a question for it, in the same function or before it is called.
ASKED_FOR = {
    "transfer/cli/apart.py": {
        *("os.fork", "os.setpgid", "os.WNOHANG"),  # behind hasattr(os, "fork")
        *("signal.pthread_sigmask", "signal.SIG_BLOCK", "signal.SIG_SETMASK", "signal.SIGTTOU"),
    },
    "transfer/cli/starting.py": {"os.getuid"},  # behind hasattr
    "transfer/jobs/measures/worker.py": {"os.nice"},  # an AttributeError is passed over
    "transfer/engine/workers.py": {"os.sched_getaffinity"},  # behind hasattr
    "manifests/index/scratch.py": {"os.getuid"},  # behind hasattr
    "manifests/bags/hashing.py": {"os.posix_fadvise", "os.POSIX_FADV_SEQUENTIAL"},  # behind hasattr
}


def _holds(test: ast.expr, platform: str) -> bool:
    """Return whether a condition of a stub holds on a platform; of a version, that it does."""
    if isinstance(test, ast.BoolOp):
        each = [_holds(value, platform) for value in test.values]
        return all(each) if isinstance(test.op, ast.And) else any(each)
    if isinstance(test, ast.Compare) and ast.unparse(test.left) == "sys.platform":
        same = ast.literal_eval(test.comparators[0]) == platform
        return same if isinstance(test.ops[0], ast.Eq) else not same
    return True


def _names(body: list[ast.stmt], platform: str) -> Iterator[str]:
    for statement in body:
        match statement:
            case ast.If(test=test, body=then, orelse=otherwise):
                yield from _names(then if _holds(test, platform) else otherwise, platform)
            case (
                ast.FunctionDef(name=name) | ast.ClassDef(name=name) | ast.AnnAssign(target=ast.Name(id=name))
            ):
                yield name
            case ast.Assign(targets=targets):
                yield from (target.id for target in targets if isinstance(target, ast.Name))
            case ast.ImportFrom(names=imported) | ast.Import(names=imported):
                yield from (each.asname or each.name for each in imported)


@cache
def _known(module: str, platform: str) -> set[str]:
    text = (STUBS / MODULES[module]).read_text(encoding="utf-8")
    found = set(_names(ast.parse(text).body, platform))
    if module == "signal":  # its enumerations' members are the module's own
        for each in ast.parse(text).body:
            if isinstance(each, ast.ClassDef) and each.name in ("Signals", "Handlers", "Sigmasks"):
                found |= set(_names(each.body, platform))
    return found


def _used(tree: ast.AST) -> Iterator[tuple[str, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in MODULES:
            yield node.value.id, node.attr


@cache
def _trees() -> dict[str, ast.Module]:
    """Return every module of the program, by its path."""
    paths = [
        path for package in ("transfer", "manifests") for path in sorted((PROJECT / package).rglob("*.py"))
    ]
    return {path.relative_to(PROJECT).as_posix(): ast.parse(path.read_bytes()) for path in paths}


def _lacking(platform: str) -> dict[str, set[str]]:
    lacking: dict[str, set[str]] = {}
    for name, tree in _trees().items():
        used = () if any(room in name for room in OWN_ROOMS[platform]) else _used(tree)
        absent = {f"{module}.{each}" for module, each in used if each not in _known(module, platform)}
        if absent:
            lacking[name] = absent
    return lacking


@pytest.mark.parametrize("platform", ["win32", "darwin"])
def test_nothing_is_used_unasked_that_the_other_systems_lack(platform):
    for name, absent in _lacking(platform).items():
        assert absent <= ASKED_FOR.get(name, set()), name


def test_the_stubs_are_read_as_they_are_meant():
    assert "fork" in _known("os", "linux")
    assert "fork" not in _known("os", "win32")
    assert "O_BINARY" in _known("os", "win32")
    assert "SIGHUP" not in _known("signal", "win32")
    assert "SIGBREAK" in _known("signal", "win32")
    assert "posix_fadvise" not in _known("os", "darwin")
    assert _lacking("win32").keys() == ASKED_FOR.keys(), "what is excused is still in use"


def test_what_only_one_system_has_is_imported_in_its_own_room_alone():
    posix_only = {"fcntl", "resource", "grp", "pwd", "termios", "tty", "pty", "syslog", "posix"}
    windows_only = {"msvcrt", "winreg", "winsound", "nt", "_winapi"}
    found = set()
    for name, tree in _trees().items():
        for node in ast.walk(tree):
            match node:
                case ast.Import(names=imported):
                    names = {each.name for each in imported}
                case ast.ImportFrom(module=module):
                    names = {module or ""}
                case _:
                    continue
            if names & (posix_only | windows_only):
                found.add(name)
    room = "transfer/engine/medium/"
    own = ("linux/allowing.py", "linux/calls.py", "macos.py", "posix.py")
    assert found == {f"{room}{name}" for name in own}


def test_which_system_it_is_is_asked_in_few_places():
    """Each is a pure question, of a name or a moment; what is done to a file differs in the medium alone."""
    asked = {("os", "name"), ("sys", "platform"), ("platform", "system")}
    found = {
        name
        for name, tree in _trees().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and (node.value.id, node.attr) in asked
    }
    assert found == {
        "transfer/engine/medium/__init__.py",
        "transfer/engine/medium/looking.py",
        "transfer/engine/following.py",  # the command that ends a process
        "transfer/jobs/setup.py",
        "transfer/cli/starting.py",  # what starts the follower by itself
        "transfer/cli/telling.py",
        "manifests/bags/containment.py",
        "manifests/bags/matching.py",
    }
