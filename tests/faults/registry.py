"""Every kind of fault that can be made."""

from __future__ import annotations

import at_once
import at_once_archive
import changing_sources
import companions
import configurations
import damage
import drives
import faulty_drives
import fuzzed_headers
import hostile_bags
import hostile_filing
import replay
import system_calls

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
    *hostile_bags.FAULTS,
    *hostile_filing.FAULTS,
    *fuzzed_headers.FAULTS,
    *configurations.FAULTS,
)
