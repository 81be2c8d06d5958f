"""The rooms of the house: what may import what, so that an act can be followed in one direction."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
# From the ground up: a room imports its own and those before it.
FLOORS = (
    "manifests",
    "transfer.config",
    "transfer.engine",
    "transfer.archive",
    "transfer.jobs",
    "transfer.page",
    "transfer.cli",
)
IN_MANIFESTS = (
    "manifests.frames",
    "manifests.bags",
    "manifests.readings",
    "manifests.index",
)


def modules() -> list[tuple[str, Path]]:
    paths = [*ROOT.glob("transfer/**/*.py"), *ROOT.glob("manifests/**/*.py")]
    return sorted((".".join(path.relative_to(ROOT).with_suffix("").parts), path) for path in paths)


def imports_of(path: Path) -> set[str]:
    """Every module of ours that a file names in an import, wherever in the file that stands."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found.update(f"{node.module}.{name.name}" for name in node.names)
        elif isinstance(node, ast.Import):
            found.update(name.name for name in node.names)
    return {name for name in found if name.split(".")[0] in ("transfer", "manifests")}


def floor_of(module: str, floors: tuple[str, ...]) -> int | None:
    return next((at for at, room in enumerate(floors) if f"{module}.".startswith(f"{room}.")), None)


@pytest.mark.parametrize("floors", [FLOORS, IN_MANIFESTS], ids=["the house", "manifests"])
def test_no_room_imports_one_above_it(floors: tuple[str, ...]) -> None:
    wrong = []
    for module, path in modules():
        here = floor_of(module, floors)
        for wanted in imports_of(path):
            there = floor_of(wanted, floors)
            if here is not None and there is not None and there > here:
                wrong.append(f"{module} imports {wanted}")
    assert wrong == []


def test_no_job_imports_another_job() -> None:
    wrong = []
    for module, path in modules():
        if module.startswith("transfer.jobs."):
            own = ".".join(module.split(".")[:3])
            others = {name for name in imports_of(path) if name.startswith("transfer.jobs.")}
            wrong += [f"{module} imports {name}" for name in others if not f"{name}.".startswith(f"{own}.")]
    assert wrong == []


def test_what_every_room_may_name_stands_on_the_ground() -> None:
    """Errors, events and words are named everywhere, so they import no room."""
    for name in ("errors", "events", "words", "stop"):
        path = ROOT / "transfer" / f"{name}.py"
        rooms = {each for each in imports_of(path) if floor_of(each, FLOORS[1:]) is not None}
        assert rooms == set(), name
