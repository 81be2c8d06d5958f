"""The one table of sections and keys, and reading a file's tables by it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from manifests.frames.calibration.tolerances import Tolerances
from manifests.readings.description import LogDescription
from transfer.config import values
from transfer.config.problems import BrokenConfig, ConfigProblem, key_shown, nearest, shown
from transfer.config.settings import (
    Archive,
    ClearOptions,
    Config,
    DriveName,
    FollowOptions,
    SendOptions,
    Site,
    Source,
)
from transfer.config.values import FileSurroundings, Unfit


class Key(NamedTuple):
    """A key of a section: its name in the file, the setting it makes, and how its value is read.

    What lies in a section of its own below the one that has the key is read by `section`.
    """

    name: str
    setting: str
    read: Callable[[object, FileSurroundings], object]
    required: bool = False
    section: Section | None = None


class Section(NamedTuple):
    """A table of the file (`[name]`, or `[[name]]` where there may be many) and the setting it gives.

    One of which there may be many can also be a single table where it is `often_one`; several need names.
    Its keys are `keys`, or, with `names`, names that are given a list of spellings each: the person's own,
    or those of `known`. `check` returns the key that does not go with the others, and what is expected of
    it; `above` names the section that it lies in.
    """

    name: str
    setting: str
    make: Callable[..., object]
    keys: tuple[Key, ...] = ()
    many: bool = False
    often_one: bool = False
    names: bool = False
    known: Callable[[], tuple[str, ...]] | None = None
    check: Callable[[Any], tuple[str, str] | None] | None = None
    above: str = ""

    @property
    def header(self) -> str:
        """The line that begins the section in the file."""
        name = f"{self.above}.{self.name}" if self.above else self.name
        return f"[[{name}]]" if self.many and not self.often_one else f"[{name}]"


def _known_facts() -> tuple[str, ...]:
    from manifests.frames.keywords import KEYWORDS  # loaded where somebody adds to it

    return tuple(KEYWORDS.keywords)


def _records_folder(folder: Path | None = None) -> Path | None:
    return folder


def _failure(event: str) -> str:
    return event


def _keywords(fact_of: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
    """Return the keywords of each fact, for the fact of each keyword."""
    return {
        fact: tuple(keyword for keyword, of in fact_of.items() if of == fact) for fact in fact_of.values()
    }


# Each limit has the name that it has in the program, its unit in the name.
_CALIBRATION = (
    Key("exposure_relative", "exposure_relative", values.tolerance),
    Key("exposure_s", "exposure_s", values.tolerance),
    Key("dark_flat_exposure_relative", "dark_flat_exposure_relative", values.tolerance),
    Key("dark_flat_exposure_s", "dark_flat_exposure_s", values.tolerance),
    Key("sensor_deg_c", "sensor_deg_c", values.tolerance),
    Key("rotation_deg", "rotation_deg", values.tolerance),
    Key("focal_length_relative", "focal_length_relative", values.tolerance),
    Key("flat_nights", "flat_nights", values.nights),
    Key("library_nights", "library_nights", values.nights),
    Key("least_count", "least_count", values.count),
)

LOGS = Section(
    "logs",
    "logs",
    LogDescription,
    (
        Key("files", "files", values.pattern, required=True),
        Key("form", "form", values.log_form, required=True),
        Key("line", "line", values.expression),
        Key("time", "time", values.place_in_a_log, required=True),
        Key("time_format", "time_format", values.text),
        Key("zone", "zone", values.text),
        Key("readings", "readings", values.readings),
        Key("events", "events", values.events),
    ),
    many=True,
    check=values.unfit_description,
    above="source",
)

SECTIONS = (
    Section(
        "site",
        "site",
        Site,
        (
            Key("name", "name", values.text),
            Key("latitude", "latitude_deg", values.latitude_deg),
            Key("longitude", "longitude_deg", values.longitude_deg),
        ),
    ),
    Section(
        "source",
        "sources",
        Source,
        (
            Key("name", "name", values.source_name, required=True),
            Key("folder", "folder", values.folder, required=True),
            Key("take", "take", values.some_patterns),
            Key("leave", "leave", values.patterns),
            Key("kind", "kind", values.kind),
            Key("logs", "logs", values.text, section=LOGS),
        ),
        many=True,
    ),
    Section(
        "drive",
        "drives",
        DriveName,
        (Key("name", "name", values.text, required=True), Key("folder", "folder", values.folder)),
        many=True,
    ),
    Section(
        "archive",
        "archives",
        Archive,
        (Key("folder", "folder", values.folder, required=True), Key("name", "name", values.text)),
        many=True,
        often_one=True,
    ),
    Section("failure", "failures", _failure, (Key("event", "event", values.text, required=True),), many=True),
    Section(
        "send",
        "send",
        SendOptions,
        (
            Key("time_limit", "time_limit_s", values.duration_s),
            Key("catch_up_nights", "catch_up_nights", values.nights),
            Key("make_room", "make_room", values.yes_or_no),
        ),
    ),
    Section(
        "follow",
        "follow",
        FollowOptions,
        (Key("tell", "tell", values.program), Key("rest", "rest_s", values.duration_s)),
    ),
    Section(
        "clear",
        "clear",
        ClearOptions,
        (
            Key("copies", "copies", values.copies),
            Key("proven_within", "proven_within_s", values.duration_s),
            Key("keep_nights", "keep_nights", values.nights),
        ),
    ),
    Section("records", "records_folder", _records_folder, (Key("folder", "folder", values.folder),)),
    Section("targets", "targets", dict, names=True),
    Section("filters", "filters", dict, names=True),
    Section("telescopes", "telescopes", dict, names=True),
    Section("cameras", "cameras", dict, names=True),
    Section("calibration", "calibration", Tolerances, _CALIBRATION),
    Section("keywords", "keywords", _keywords, names=True, known=_known_facts),
)


def config_from_tables(tables: Mapping[str, Any], file: Path, environ: Mapping[str, str]) -> Config:
    """Make a Config of a file's tables. Raises BrokenConfig with everything that is wrong with them."""
    reading = _Reading(FileSurroundings(file.parent, environ))
    settings = reading.settings(tables)
    if reading.problems:
        raise BrokenConfig(file, reading.problems)
    return Config(file=file, **settings)


@dataclass(slots=True)
class _Reading:
    """One reading of the tables: goes on after a problem, so that all of them come out at once."""

    around: FileSurroundings
    problems: list[ConfigProblem] = field(default_factory=list)

    def settings(self, tables: Mapping[str, Any]) -> dict[str, Any]:
        known = {section.name: section for section in SECTIONS}
        for name in (name for name in tables if name not in known):
            self._unknown_section(name, tables[name])
        there = [known[name] for name in tables if name in known]
        return {section.setting: self._section(section, tables[section.name]) for section in there}

    def _unknown_section(self, name: str, value: object) -> None:
        sections = [section.name for section in SECTIONS]
        meant = nearest(name, sections)
        self._problem(
            key_shown(name),
            value,
            f"one of the sections {', '.join(section.header for section in SECTIONS)}",
            next((section.header for section in SECTIONS if section.name == meant), _elsewhere(name)),
        )

    def _section(self, section: Section, written: object, above: str = "") -> object:
        where = f"{above}.{section.name}" if above else section.name
        if not section.many:
            return self._table(section, where, written)
        if section.often_one and not isinstance(written, list):
            return (self._table(section, where, written),)
        if not isinstance(written, list):
            self._problem(where, written, f"{section.header}, in double brackets")
            return None
        made = [self._table(section, f"{where}[{at}]", each) for at, each in enumerate(written, 1)]
        if section.often_one:
            self._stand_apart(section, written, made)
        self._names_differ(section, written)
        return tuple(made)

    def _table(self, section: Section, where: str, written: object) -> object:
        if not isinstance(written, dict):
            self._problem(where, written, f"a section that begins with {section.header}")
            return None
        before = len(self.problems)
        if section.names:
            return section.make(self._spelled(section, written))
        misspelt = set(self._unknown_keys(section, where, written))
        given: dict[str, object] = {}
        for key in section.keys:
            if key.section is not None and key.name in written:
                given[key.setting] = self._section(key.section, written[key.name], where)
            elif key.name in written:
                given[key.setting] = self._value(key, f"{where}.{key.name}", written[key.name])
            elif key.required and key.name not in misspelt:
                self._missing(key, f"{where}.{key.name}")
        if len(self.problems) > before:
            return None
        made = section.make(**given)
        unfit = section.check(made) if section.check is not None else None
        if unfit is not None:
            self._problem(f"{where}.{unfit[0]}", written.get(unfit[0], ""), unfit[1])
        return made

    def _spelled(self, section: Section, written: dict[str, object]) -> dict[str, str]:
        """Return the name for each of its spellings; no spelling has two names."""
        name_of: dict[str, str] = {}
        for name, given in written.items():
            where = f"{section.name}.{key_shown(name)}"
            known = section.known() if section.known is not None else (name,)
            if name not in known:
                expected = "a fact of a frame, such as exposure_s, filter_name or object_name"
                self._problem(where, given, expected, nearest(name, known))
                continue
            for spelling in self._spellings(where, name, given):
                other = name_of.setdefault(spelling, name)
                if other != name:
                    self._problem(where, spelling, f"spellings that {key_shown(other)} does not have")
        return name_of

    def _spellings(self, where: str, name: str, written: object) -> tuple[str, ...]:
        try:
            values.text(name, self.around)
            return values.spellings(written)
        except Unfit as unfit:
            self._problem(where, written, unfit.expected)
            return ()

    def _unknown_keys(self, section: Section, where: str, written: dict[str, object]) -> Iterator[str]:
        """Report the keys that are not known; return those that they seem to mean."""
        names = [key.name for key in section.keys]
        for name in [name for name in written if name not in names]:
            meant = nearest(name, (known for known in names if known not in written))
            expected = f"one of the keys {', '.join(names)}" if len(names) > 1 else f"the key {names[0]}"
            self._problem(f"{where}.{key_shown(name)}", written[name], expected, meant or _elsewhere(name))
            yield meant

    def _value(self, key: Key, where: str, written: object) -> object:
        try:
            return key.read(written, self.around)
        except Unfit as unfit:
            self._problem(where, written, unfit.expected)
            return None

    def _missing(self, key: Key, where: str) -> None:
        try:  # whoever reads the key knows what is expected of it
            key.read(None, self.around)
        except Unfit as unfit:
            self.problems.append(ConfigProblem(where, "", unfit.expected))

    def _stand_apart(self, section: Section, written: list[Any], made: list[Any]) -> None:
        """Refuse several tables without names, and one folder that is given to two of them."""
        folders = [None if each is None else each.folder for each in made]
        for at, (table, folder) in enumerate(zip(written, folders, strict=True), 1):
            if len(made) > 1 and isinstance(table, dict) and "name" not in table:
                where, expected = f"{section.name}[{at}].name", "a name, for there are several"
                self.problems.append(ConfigProblem(where, "", expected))
            if folder is not None and folder in folders[: at - 1]:
                where, expected = (
                    f"{section.name}[{at}].folder",
                    f"a folder that no other [[{section.name}]] has",
                )
                self._problem(where, table["folder"], expected)

    def _names_differ(self, section: Section, written: list[Any]) -> None:
        """Refuse a name given twice: upper and lower case make no difference on many file systems."""
        names = [table.get("name") if isinstance(table, dict) else None for table in written]
        if len(names) == 1:
            return
        from manifests.bags.stored_names import same_name_key  # slow to load, for one name alone

        keys = [same_name_key(name) if isinstance(name, str) else None for name in names]
        seen: Counter[str | None] = Counter()
        for at, key in enumerate(keys, 1):
            if key is not None and seen[key]:
                where = f"{section.name}[{at}].name"
                self._problem(where, names[at - 1], f"a name that no other {section.header} has")
            seen[key] += 1

    def _problem(self, where: str, written: object, expected: str, meant: str = "") -> None:
        self.problems.append(ConfigProblem(where, shown(written), expected, meant))


def _elsewhere(name: str) -> str:
    """Return the section that has a key of this name, for a key written in the wrong place."""
    found = [section for section in SECTIONS for key in section.keys if key.name == name]
    return f"{name} in {found[0].header}" if found else ""
