"""Of a target's lights, those in the filters and of the nights that are asked for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from manifests.frames.calibration.plan import Row
from manifests.frames.frame import FrameType
from manifests.frames.names.filters import FilterNames
from manifests.index.frame_query import FrameRow
from transfer.jobs.gather.archive_frames import filter_of
from transfer.jobs.gather.naming import meant_filters
from transfer.jobs.gather.request import GatherRequest

_LISTED_AT_MOST = 8


class Wanted:
    """A request held against all lights of the target that it names (`target`)."""

    def __init__(
        self, request: GatherRequest, target: str, lights: Sequence[FrameRow], naming: FilterNames
    ) -> None:
        self._request = request
        self._target = target
        self._all = lights
        self._naming = naming
        self._filters = list(dict.fromkeys(map(filter_of, lights)))
        self._nights = sorted({row.night for row in lights})
        self._meant = {each: meant_filters(each, self._filters, naming) for each in request.filters}

    def lights(self) -> list[FrameRow]:
        """Give the lights that are asked for."""
        filters = {name for names in self._meant.values() for name in names}
        return [
            row
            for row in self._all
            if self._request.wants_night(row.night) and (not self._meant or filter_of(row) in filters)
        ]

    def unmet(self) -> list[Row]:
        """Give a row for each filter and each night asked for of which there is no light."""
        rows = [_missing(f"{self._target} {what}", there) for what, there in self._in_vain()]
        if not rows and not self.lights():
            what = f"{self._target} in these filters of these nights"
            rows.append(_missing(what, f"there are {_listed(self._filters)} of {_listed(self._nights)}"))
        return rows

    def _in_vain(self) -> Iterator[tuple[str, str]]:
        """Give what was asked for in vain, and what there is instead."""
        for written, names in self._meant.items():
            if not names:
                yield f"in {self._naming.name(written).canonical}", f"there are {_listed(self._filters)}"
        for night in sorted(self._request.nights.difference(self._nights)):
            yield f"of {night}", f"there are some of {_listed(self._nights)}"
        since = self._request.since
        if since is not None and self._nights[-1] < since:
            yield f"since {since}", f"the last are of {self._nights[-1]}"


def _missing(what: str, instead: str) -> Row:
    return Row(
        of=FrameType.LIGHT,
        described=what,
        frames=(),
        kind=FrameType.LIGHT,
        matched=(),
        why=f"no lights of {what}; {instead}",
        missing=True,
    )


def _listed(things: Sequence[object]) -> str:
    """List filters or nights; of many, the last ones."""
    words = [str(thing) for thing in things[-_LISTED_AT_MOST:]]
    if len(things) > len(words):
        words.insert(0, f"{len(things) - len(words)} others")
    return " and ".join(part for part in (", ".join(words[:-1]), words[-1]) if part)
