"""The options that choose frames, and the query that they make."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import date
from typing import Any, Protocol, TypeVar

import click

from manifests.findings import FindingKind
from manifests.frames.frame import FrameType
from manifests.index.cones import Cone
from manifests.index.frame_query import Between, FrameQuery, Measured, Order
from transfer.archive.typed_names import Typed
from transfer.cli.asking import ANY, Position, Radius, Range, WrittenFinding, WrittenType
from transfer.cli.completion import (
    Complete,
    complete_cameras,
    complete_filters,
    complete_from,
    complete_targets,
)
from transfer.cli.night_options import night_options, nights_between
from transfer.errors import ConfigurationError

Command = TypeVar("Command", bound=Callable[..., object])


class Option(Protocol):
    """Adds an option to a command's function."""

    def __call__(self, function: Command, /) -> Command:
        """Return the function with the option added."""
        ...


_RADIUS_DEG = 1.0

# The sun's centre stands 6, 12 and 18 degrees below the horizon where civil, nautical and astronomical
# twilight end, and 50′ below it at sunset (Meeus 1998, chapter 15).
_TWILIGHTS: dict[str, Between[float]] = {
    "day": Between(-50 / 60, None),
    "civil": Between(-6.0, -50 / 60),
    "nautical": Between(-12.0, -6.0),
    "astronomical": Between(-18.0, -12.0),
    "any": Between(-18.0, None),
    "none": Between(None, -18.0),
}


def frame_options(function: Command) -> Command:
    """Add the options that choose frames and their order."""
    return _with(night_options(_with(function, _ORDER_OPTIONS)), _frame_options())


def amended_frame_options(function: Command) -> Command:
    """Add the options that choose frames, where `--target` and the like say what is right of them."""
    return _with(night_options(function, of="of-"), _frame_options(of="of-"))


def measure_options(function: Command) -> Command:
    """Add the options that choose frames by what was measured on them."""
    return _with(function, _MEASURE_OPTIONS)


def measures_asked(options: Mapping[str, Between[float] | None]) -> dict[Measured, Between[float]]:
    """Return the ranges that were asked for, from options by their names."""
    asked = {each: options[each.value] for each in Measured}
    return {each: between for each, between in asked.items() if between is not None}


def target_and_filter_options(function: Command) -> Command:
    """Add the options that choose targets and filters."""
    return _with(function, _target_and_filter())


def _target_and_filter(of: str = "") -> tuple[Option, ...]:
    return (
        _names(
            f"--{of}target",
            "targets",
            "Of this target, in any spelling; may be given several times.",
            complete=complete_targets,
        ),
        _names(f"--{of}filter", "filters", "Through this filter.", complete=complete_filters),
    )


def _frame_options(of: str = "") -> tuple[Option, ...]:
    of_type = _names(
        f"--{of}type",
        "frame_types",
        "light, dark, flat, bias or dark flat.",
        complete=complete_from(list(FrameType)),
        type=WrittenType(),
        metavar="TYPE",
    )
    return (*_target_and_filter(of), _CAMERA_OPTION, of_type, *_FRAME_OPTIONS, *_MEASURE_OPTIONS)


def _names(option: str, field: str, told: str, *, complete: Complete, **more: Any) -> Option:
    """Return an option that takes a name and may be given several times."""
    settings = {"metavar": "NAME", **more}
    return click.option(option, field, multiple=True, shell_complete=complete, help=told, **settings)


def _range(option: str, field: str, told: str, *, one: bool = False) -> Option:
    """Return an option that takes a range, and, where `one` number may stand for itself, that."""
    return click.option(option, field, type=Range(one=one), metavar="RANGE", help=told)


_CAMERA_OPTION = _names("--camera", "cameras", "Taken with this camera.", complete=complete_cameras)
_FRAME_OPTIONS = (
    _range("--exposure", "exposure_s", "Seconds: 300, 60..600, 300.. or ..10.", one=True),
    click.option(
        "--position",
        type=Position(),
        metavar="RA,DEC",
        help="Pointing near here (ICRS): degrees, or any form such as '22h37m04s +34d25m'.",
    ),
    click.option(
        "--radius",
        "radius_deg",
        type=Radius(),
        metavar="ANGLE",
        help=f"How near: degrees, or any form such as 30'. Default: {_RADIUS_DEG:g}.",
    ),
    _range(
        "--altitude", "altitude_deg", "Altitude at mid-exposure, as computed, degrees: ..30 is 30 or lower."
    ),
    click.option(
        "--twilight",
        type=click.Choice(list(_TWILIGHTS)),
        help="Taken in this twilight; any: while the sun was higher than 18° below the horizon.",
    ),
    _names(
        "--finding",
        "findings",
        "With this finding; any: with one of any kind.",
        complete=complete_from([ANY, *FindingKind]),
        type=WrittenFinding(),
    ),
    click.option("--present", is_flag=True, help="Leave out frames that are not there now."),
)
_MEASURE_OPTIONS = (
    _range("--stars", "stars", "So many stars: 200.. is 200 or more."),
    _range("--size", "size_px", "Median size of the stars (FWHM), pixels: ..3.5 is 3.5 or smaller."),
    _range("--size-arcsec", "size_arcsec", "The same in seconds of arc on the sky."),
    _range("--elongation", "elongation", "Ratio of the axes that the stars have in common; 1 is round."),
    _range("--background", "background_adu", "Level of the sky, ADU."),
    _range("--noise", "noise_adu", "Noise of the sky in a pixel, ADU."),
)
_ORDER_OPTIONS = (
    click.option(
        "--order", type=click.Choice([str(order) for order in Order]), default="time", show_default=True
    ),
    click.option("--descending", is_flag=True, help="The last ones first."),
    click.option("--limit", type=click.IntRange(min=1), metavar="N", help="Only the first N."),
)


_NO_CONDITIONS = frozenset(("present", "order", "descending", "limit"))


@dataclass(frozen=True, slots=True)
class Asked:
    """The frames that a command line asks for."""

    targets: tuple[str, ...]
    filters: tuple[str, ...]
    cameras: tuple[str, ...]
    frame_types: tuple[FrameType, ...]
    exposure_s: Between[float] | None
    position: tuple[float, float] | None
    radius_deg: float | None
    altitude_deg: Between[float] | None
    twilight: str | None
    findings: tuple[str, ...]
    stars: Between[float] | None
    size_px: Between[float] | None
    size_arcsec: Between[float] | None
    elongation: Between[float] | None
    background_adu: Between[float] | None
    noise_adu: Between[float] | None
    present: bool
    night: date | None
    since: date | None
    until: date | None
    order: str
    descending: bool
    limit: int | None

    @property
    def asks_anything(self) -> bool:
        """Whether any of the options that choose frames was given."""
        given = (getattr(self, one.name) for one in fields(self) if one.name not in _NO_CONDITIONS)
        return any(value not in (None, (), False) for value in given)

    @property
    def typed(self) -> Typed:
        """Return the names as they were typed."""
        return Typed(self.targets, self.filters, self.cameras)

    def query(self, meant: Typed) -> FrameQuery:
        """Return the query, with the names that were meant. Raises ConfigurationError."""
        return FrameQuery(
            targets=meant.targets,
            filters=meant.filters,
            cameras=meant.cameras,
            nights=nights_between(self.night, self.since, self.until),
            frame_types=self.frame_types,
            exposure_s=self.exposure_s,
            cone=self._cone(),
            altitude_deg=self.altitude_deg,
            sun_altitude_deg=_TWILIGHTS[self.twilight] if self.twilight else None,
            findings=tuple(FindingKind(name) for name in self.findings if name != ANY),
            any_finding=ANY in self.findings,
            measured=measures_asked({each.value: getattr(self, each.value) for each in Measured}),
            absent=not self.present,
            order=Order(self.order),
            descending=self.descending,
            limit=self.limit,
        )

    def _cone(self) -> Cone | None:
        if self.position is None:
            if self.radius_deg is not None:
                raise ConfigurationError("--radius says how near to a position, and there is no --position")
            return None
        return Cone(*self.position, _RADIUS_DEG if self.radius_deg is None else self.radius_deg)


def _with(function: Command, options: tuple[Option, ...]) -> Command:
    for option in reversed(options):
        function = option(function)
    return function
