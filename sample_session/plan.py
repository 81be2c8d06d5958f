"""The invented night's plan: site, rig, targets, and every exposure and focusing run with its time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

SITE = "Dunnock Rise"
LATITUDE_DEG = 51.2
LONGITUDE_DEG = -1.9
OBSERVER = "Tamsin Quillfeather"
CAMERA = "Lanternjack 12M"
TELESCOPE = "Osierglass 99 f/5"
FOCAL_LENGTH_MM = 495.0
PIXEL_UM = 12.0
SCALE_ARCSEC = 206.265 * PIXEL_UM / FOCAL_LENGTH_MM
WIDTH_PX, HEIGHT_PX = 176, 132
CAMERA_ANGLE_DEG = 12.0
SETPOINT_DEG_C = -10.0
FRAMES = "Night frames"


@dataclass(frozen=True, slots=True)
class Target:
    """One object: its position (J2000, degrees) and how its own sequence spells things.

    The second target's sequence is an older one, with its own words for the filters.
    """

    folder: str
    object_name: str
    file_stem: str
    ra_deg: float
    dec_deg: float
    light_word: str
    filter_words: dict[str, str] = field(hash=False)
    folder_words: dict[str, str] = field(hash=False)


PLAIN_WORDS = {"L": "L", "Ha": "Ha", "OIII": "OIII"}
# Positions: the objects' catalogue positions as commonly published.
M51 = Target("M 51", "M 51", "M 51", 202.4696, 47.1952, "LIGHT", PLAIN_WORDS, PLAIN_WORDS)
NGC4565 = Target(
    folder="NGC 4565",
    object_name="NGC4565",
    file_stem="NGC4565",
    ra_deg=189.0866,
    dec_deg=25.9877,
    light_word="Light Frame",
    filter_words={"L": "Lum", "Ha": "H-alpha", "OIII": "O3"},
    folder_words={"L": "Lum", "Ha": "Hα", "OIII": "O3"},
)


@dataclass(frozen=True, slots=True)
class Exposure:
    """One exposure: `filter_name` is the wheel's word, `offset_arcsec` the dither (east, north)."""

    kind: str
    number: int
    begun: datetime
    exposure_s: float
    path: str
    target: Target | None = None
    filter_name: str | None = None
    offset_arcsec: tuple[float, float] = (0.0, 0.0)
    flipped: bool = False

    @property
    def ended(self) -> datetime:
        """Return the moment the shutter closes."""
        return self.begun + timedelta(seconds=self.exposure_s)

    @property
    def middle(self) -> datetime:
        """Return the moment half the exposure is done."""
        return self.begun + timedelta(seconds=self.exposure_s / 2)

    @property
    def written(self) -> datetime:
        """Return the moment the file is on the computer's disk."""
        return self.ended + timedelta(seconds=2.75)

    @property
    def name(self) -> str:
        """Return the file's own name."""
        return self.path.rpartition("/")[2]


@dataclass(frozen=True, slots=True)
class Block:
    """A run of exposures of one target through one filter, begun after a focusing run."""

    target: Target
    filter_name: str
    exposure_s: float
    count: int
    begun: datetime
    flipped: bool
    focus_reason: str


@dataclass(frozen=True, slots=True)
class FocusRun:
    """One focusing run: when it began, for which filter and why."""

    number: int
    begun: datetime
    filter_name: str
    reason: str


def at(clock: str) -> datetime:
    """Return the moment (UTC) of a clock reading `HH:MM:SS` or `HH:MM:SS.fff` of this night."""
    day = "2026-03-14" if int(clock[:2]) >= 12 else "2026-03-15"
    return datetime.fromisoformat(f"{day}T{clock}").replace(tzinfo=UTC)


ROOF_OPENS = at("18:12:20")
SLEW_TO_M51 = at("19:58:10")
CLOUD_PAUSE = (at("22:25:02"), at("22:57:10"))
SLEW_TO_NGC4565 = at("00:05:12")
FLIP = at("01:18:06")
DEW_HEATER_UP = at("02:52:15")
CABLE_FAULT = at("04:30:25")
PARKED = at("04:33:20")
NIGHT_ENDS = at("06:16:40")

BLOCKS = (
    Block(M51, "L", 600.0, 5, at("20:06:11.482"), False, "start of the night"),
    Block(M51, "Ha", 1200.0, 4, at("21:03:05.117"), False, "filter changed"),
    Block(M51, "OIII", 1200.0, 3, at("23:02:40.906"), False, "filter changed, after cloud"),
    Block(NGC4565, "L", 600.0, 6, at("00:14:22.358"), False, "new target"),
    Block(NGC4565, "Ha", 1200.0, 4, at("01:29:48.731"), True, "filter changed, after the flip"),
    Block(NGC4565, "OIII", 1200.0, 4, at("03:09:30.264"), True, "filter changed, after dew"),
)
# The frame the cable fault cut short, and the dark written just after it with a header of rubbish.
CUT_SHORT = f"{FRAMES}/NGC 4565/O3/NGC4565_O3_1200s_004.fits"
BROKEN_HEADER = f"{FRAMES}/Calibration/darks/dark_600s_001.fits"
GZIPPED = f"{FRAMES}/M 51/OIII/M 51_OIII_1200s_002.fits.gz"
TILE_COMPRESSED = f"{FRAMES}/NGC 4565/Lum/NGC4565_Lum_600s_001.fits.fz"
EMPTY_FOLDER = f"{FRAMES}/Trial shots"


def gap_s(number: int) -> float:
    """Return the seconds between two exposures: reading out, dithering, settling; they vary a little."""
    return 14.237 + (number * 2731 % 6007) / 1000


def dither(number: int) -> tuple[float, float]:
    """Return a light's offset from the target in arcseconds, east and north: no two alike."""
    return (number * 37 % 53) - 26.0, (number * 29 % 47) - 23.0


def light_path(block: Block, number: int) -> str:
    """Return the file's path below the computer's folder, as this target's sequence names it."""
    target, word = block.target, block.target.folder_words[block.filter_name]
    name = f"{target.file_stem}_{word}_{block.exposure_s:.0f}s_{number:03d}.fits"
    plain = f"{FRAMES}/{target.folder}/{word}/{name}"
    packed = {GZIPPED.removesuffix(".gz"): GZIPPED, TILE_COMPRESSED.removesuffix(".fz"): TILE_COMPRESSED}
    return packed.get(plain, plain)


def lights() -> Iterator[Exposure]:
    """Return the lights in the order they were taken."""
    taken = 0
    for block in BLOCKS:
        begun = block.begun
        for number in range(1, block.count + 1):
            taken += 1
            light = Exposure(
                kind="light",
                number=number,
                begun=begun,
                exposure_s=block.exposure_s,
                path=light_path(block, number),
                target=block.target,
                filter_name=block.filter_name,
                offset_arcsec=dither(taken),
                flipped=block.flipped,
            )
            yield light
            begun = light.ended + timedelta(seconds=gap_s(taken))


def flats() -> Iterator[Exposure]:
    """Return the dusk flats: the narrow filters first, longer as the sky darkens."""
    begun = at("18:20:31.640")
    for filter_name, exposures_s in (
        ("Ha", (1.2, 1.4, 1.7)),
        ("OIII", (1.5, 1.8, 2.2)),
        ("L", (0.4, 0.5, 0.6)),
    ):
        for number, exposure_s in enumerate(exposures_s, 1):
            path = f"{FRAMES}/Calibration/flats/flat_{filter_name}_{number:02d}.fits"
            flat = Exposure("flat", number, begun, exposure_s, path, filter_name=filter_name)
            yield flat
            begun = flat.ended + timedelta(seconds=31.5 + gap_s(number))


def darks_and_bias() -> Iterator[Exposure]:
    """Return the darks and bias of dawn, taken with the telescope parked and covered."""
    begun = at("04:36:48.205")
    runs = (
        ("dark", "darks/dark_600s", 600.0, 3),
        ("dark", "darks/dark_1200s", 1200.0, 3),
        ("bias", "bias/bias", 0.0, 4),
    )
    for kind, stem, exposure_s, count in runs:
        for number in range(1, count + 1):
            path = f"{FRAMES}/Calibration/{stem}_{number:03d}.fits"
            exposure = Exposure(kind, number, begun, exposure_s, path)
            yield exposure
            begun = exposure.ended + timedelta(seconds=4.118)


def exposures() -> list[Exposure]:
    """Return every exposure of the night in order of time."""
    return [*flats(), *lights(), *darks_and_bias()]


def focus_runs() -> list[FocusRun]:
    """Return the focusing runs: one before each block."""
    before = timedelta(minutes=4, seconds=18)
    return [
        FocusRun(number, block.begun - before, block.filter_name, block.focus_reason)
        for number, block in enumerate(BLOCKS, 1)
    ]
