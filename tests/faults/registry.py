"""Every kind of fault that can be made."""

from __future__ import annotations

import damage
import drives
import system_calls

FAULTS = (*system_calls.FAULTS, *drives.FAULTS, *damage.FAULTS)
