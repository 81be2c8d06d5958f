"""nightferry.toml, found, read and checked."""

from transfer.config.problems import BrokenConfig, ConfigProblem
from transfer.config.reading import find_config, load_config
from transfer.config.settings import (
    Archive,
    ClearOptions,
    Config,
    DriveName,
    FollowOptions,
    SendOptions,
    Site,
    Source,
    SourceKind,
)
from transfer.config.values import parse_duration_s

__all__ = [
    "Archive",
    "BrokenConfig",
    "ClearOptions",
    "Config",
    "ConfigProblem",
    "DriveName",
    "FollowOptions",
    "SendOptions",
    "Site",
    "Source",
    "SourceKind",
    "find_config",
    "load_config",
    "parse_duration_s",
]
