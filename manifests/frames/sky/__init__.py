"""The sky of a frame: altitude, airmass, twilight and moon, computed for whole columns, offline."""

from manifests.frames.sky.airmass import airmass_at
from manifests.frames.sky.disagreements import disagreements
from manifests.frames.sky.facts import Sky, sky_of, sky_of_frames
from manifests.frames.sky.impossible import sky_findings
from manifests.frames.sky.twilight import DarkHours, Twilight, night_dark_hours, twilight_at

__all__ = [
    "DarkHours",
    "Sky",
    "Twilight",
    "airmass_at",
    "disagreements",
    "night_dark_hours",
    "sky_findings",
    "sky_of",
    "sky_of_frames",
    "twilight_at",
]
