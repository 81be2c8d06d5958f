"""The options that choose frames, and the query that they make."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import date
from typing import TypeVar

import click

from manifests.findings import FindingKind
from manifests.frames.frame import FrameType
from manifests.index.cones import Cone
from manifests.index.frame_query import Between, FrameQuery, Measured, Order
from transfer.archive.typed_names import Typed
from transfer.cli.asking import ANY, Position, Radius, Range, WrittenFinding, WrittenType
from transfer.cli.completion import complete_cameras, complete_filters, complete_from, complete_targets
from transfer.cli.night_options import night_options, nights_between
from transfer.errors import ConfigurationError

Command = TypeVar("Command", bound=Callable[..., object])

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


def _target_and_filter(of: str = "") -> tuple[Callable[[Command], Command], ...]:
    return (
        click.option(
            f"--{of}target",
            "targets",
            multiple=True,
            metavar="NAME",
            shell_complete=complete_targets,
            help="Of this target, in any spelling; may be given several times.",
        ),
        click.option(
            f"--{of}filter",
            "filters",
            multiple=True,
            metavar="NAME",
            shell_complete=complete_filters,
            help="Through this filter.",
        ),
    )


def _frame_options(of: str = "") -> tuple[Callable[[Command], Command], ...]:
    of_type = click.option(
        f"--{of}type",
        "frame_types",
        multiple=True,
        type=WrittenType(),
        metavar="TYPE",
        shell_complete=complete_from(list(FrameType)),
        help="light, dark, flat, bias or dark flat.",
    )
    return (*_target_and_filter(of), _CAMERA_OPTION, of_type, *_FRAME_OPTIONS, *_MEASURE_OPTIONS)


_CAMERA_OPTION = click.option(
    "--camera",
    "cameras",
    multiple=True,
    metavar="NAME",
    shell_complete=complete_cameras,
    help="Taken with this camera.",
)
_FRAME_OPTIONS = (
    click.option(
        "--exposure",
        "exposure_s",
        type=Range(one=True),
        metavar="RANGE",
        help="Seconds: 300, 60..600, 300.. or ..10.",
    ),
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
    click.option(
        "--altitude",
        "altitude_deg",
        type=Range(one=False),
        metavar="RANGE",
        help="Altitude at mid-exposure, as computed, degrees: ..30 is 30 or lower.",
    ),
    click.option(
        "--twilight",
        type=click.Choice(list(_TWILIGHTS)),
        help="Taken in this twilight; any: while the sun was higher than 18° below the horizon.",
    ),
    click.option(
        "--finding",
        "findings",
        multiple=True,
        type=WrittenFinding(),
        metavar="NAME",
        shell_complete=complete_from([ANY, *FindingKind]),
        help="With this finding; any: with one of any kind.",
    ),
    click.option("--present", is_flag=True, help="Leave out frames that are not there now."),
)
_MEASURE_OPTIONS = (
    click.option(
        "--stars", type=Range(one=False), metavar="RANGE", help="So many stars: 200.. is 200 or more."
    ),
    click.option(
        "--size",
        "size_px",
        type=Range(one=False),
        metavar="RANGE",
        help="Median size of the stars (FWHM), pixels: ..3.5 is 3.5 or smaller.",
    ),
    click.option(
        "--size-arcsec", type=Range(one=False), metavar="RANGE", help="The same in seconds of arc on the sky."
    ),
    click.option(
        "--elongation",
        type=Range(one=False),
        metavar="RANGE",
        help="Ratio of the axes that the stars have in common; 1 is round.",
    ),
    click.option(
        "--background",
        "background_adu",
        type=Range(one=False),
        metavar="RANGE",
        help="Level of the sky, ADU.",
    ),
    click.option(
        "--noise",
        "noise_adu",
        type=Range(one=False),
        metavar="RANGE",
        help="Noise of the sky in a pixel, ADU.",
    ),
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


def _with(function: Command, options: tuple[Callable[[Command], Command], ...]) -> Command:
    for option in reversed(options):
        function = option(function)
    return function
