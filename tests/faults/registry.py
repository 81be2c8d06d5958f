"""Every kind of fault that can be made."""

from __future__ import annotations

from tests.faults import (
    archive_changes,
    at_once,
    at_once_archive,
    changing_sources,
    companions,
    configurations,
    damage,
    drives,
    faulty_drives,
    fuzzed_headers,
    hostile_bags,
    hostile_filing,
    hostile_indexes,
    hostile_names,
    large_lists,
    letting_go,
    on_windows,
    replay,
    strangers_sticks,
    system_calls,
)

FAULTS = (
    *system_calls.FAULTS,
    *drives.FAULTS,
    *damage.FAULTS,
    *faulty_drives.FAULTS,
    *replay.FAULTS,
    *changing_sources.FAULTS,
    *companions.FAULTS,
    *at_once.FAULTS,
    *at_once_archive.FAULTS,
    *archive_changes.FAULTS,
    *hostile_bags.FAULTS,
    *hostile_filing.FAULTS,
    *hostile_indexes.FAULTS,
    *large_lists.FAULTS,
    *strangers_sticks.FAULTS,
    *hostile_names.FAULTS,
    *letting_go.FAULTS,
    *fuzzed_headers.FAULTS,
    *configurations.FAULTS,
    *on_windows.FAULTS,
)
