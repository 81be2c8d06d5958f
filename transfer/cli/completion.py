"""Shell completion of the archive's targets, filters and cameras: quick, and silent about errors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import click
from click.shell_completion import CompletionItem

from transfer.archive.typed_names import key
from transfer.cli.archives import chosen_archive
from transfer.cli.shells import can_be_offered

if TYPE_CHECKING:
    from manifests.index.names import ArchiveNames

Complete = Callable[[click.Context, click.Parameter, str], "list[CompletionItem[str]]"]

# At a prompt no completion is better than a late one.
_PATIENCE_S = 0.2


def _complete_of_archive(names_of: Callable[[ArchiveNames], Sequence[str]]) -> Complete:
    """Return a function that completes names that the archive has."""

    def complete(
        ctx: click.Context,
        param: click.Parameter,  # noqa: ARG001 - click's signature
        incomplete: str,
    ) -> list[CompletionItem[str]]:
        try:
            known = names_of(_names(ctx))
        except Exception:  # noqa: BLE001 - whatever is wrong, a prompt is no place to tell it
            return []
        return _fitting([name for name in known if can_be_offered(name)], incomplete)

    return complete


complete_targets = _complete_of_archive(lambda names: names.targets)
complete_filters = _complete_of_archive(lambda names: names.filters)
complete_cameras = _complete_of_archive(lambda names: names.cameras)


def complete_from(names: Sequence[str]) -> Complete:
    """Return a function that completes one of these names."""

    def complete(
        ctx: click.Context,  # noqa: ARG001 - click's signature
        param: click.Parameter,  # noqa: ARG001
        incomplete: str,
    ) -> list[CompletionItem[str]]:
        return _fitting(names, incomplete)

    return complete


def _fitting(names: Sequence[str], incomplete: str) -> list[CompletionItem[str]]:
    return [CompletionItem(str(name)) for name in names if key(name).startswith(key(incomplete))]


def _names(ctx: click.Context) -> ArchiveNames:
    from manifests.index.names import names
    from manifests.index.opening import open_index
    from manifests.index.schema import INDEX_NAME

    chosen = chosen_archive(ctx.params.get("config_file"), ctx.params.get("archive_folder"))
    with open_index(chosen.root / INDEX_NAME, patience_s=_PATIENCE_S) as index:
        return names(index)
