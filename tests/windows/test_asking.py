"""What is asked and said of an archive on Windows: paths come as Windows has them, pages hold together."""

from __future__ import annotations

import json
import os

import pytest

from tests.support.nights import EVENING_NS, Computer, assert_valid, prepared
from tests.support.pages_read import pages_of
from tests.support.star_fields import StarField, counts, fits_of
from tests.windows.rig import PIPE, Rig

NIGHTS = ("2026-03-14", "2026-03-15")
_ARCHIVE = r"""
[[archive]]
folder = 'D:\Archiv ü'
"""
_WEATHER = """
[[source.logs]]
files = "*.csv"
form = "table"
time = "utc"
[source.logs.readings]
"air temperature" = { at = "deg_c", unit = "deg_C" }
"""


@pytest.fixture
def computer(rig: Rig) -> Computer:
    """Two nights, each with a field of stars and a log of the weather."""
    made = Computer(rig.root("d") / "imaging", more=_ARCHIVE)
    logs = 'kind = "logs"\n'
    text = made.file.read_text(encoding="utf-8").replace(logs, logs + _WEATHER.lstrip("\n"))
    made.file.write_text(text, encoding="utf-8")
    for number, night in enumerate(NIGHTS):
        image = counts(StarField(height=160, width=200, stars=20, seed=number + 1).image())
        facts = {"OBJECT": "M 51", "FILTER": "Ha", "IMAGETYP": "Light", "EXPTIME": 300.0}
        content = fits_of(image, **facts, **{"DATE-OBS": f"{night}T22:00:00"})
        lines = "".join(f"{night}T{hour}:00:00Z,{4 - number - hour / 10}\n" for hour in (21, 22, 23))
        files = (
            made.frame(f"{night}/Hα ü.fits", content),
            made.log(f"{night}.csv", f"utc,deg_c\n{lines}".encode()),
        )
        when_ns = EVENING_NS + number * 86_400 * 10**9
        for file in files:
            os.utime(file, ns=(when_ns, when_ns))
    return made


def test_nights_are_judged_told_and_compared_frames_found_and_amended_and_pages_made(rig, computer):
    archive = rig.root("d") / "Archiv ü"
    archive.mkdir()
    first, second = NIGHTS

    def told(*words: str) -> str:
        ran = rig.run(*words, "--config", computer.file)
        assert ran.exit == 0, ran.out + ran.err
        return ran.out

    with rig.volume("e", "exfat") as stick:
        prepared(stick.path)
        told("send", "--all")
        told("file")

    told("mark", first, "good")
    told("mark", second, "poor", "--because", "dew on the front lens")
    night = told("night", second)
    assert "marked poor (dew on the front lens)" in night
    assert all(name in night for name in ("M 51 through Ha", "air temperature", "star size"))
    compared = json.loads(told("compare", "--json"))["nights"]
    assert [(each["night"], each["verdict"]) for each in compared] == [(first, "good"), (second, "poor")]
    assert [each["values"]["air temperature"]["lowest"] for each in compared] == pytest.approx([1.7, 0.7])

    listed = told("frames", "--size", "2..4", "--paths").encode(PIPE).decode("utf-8")  # as on every system
    frames = [rf"D:\Archiv ü\M 51\data\{night}\Ha\Hα ü.fits" for night in NIGHTS]
    assert listed.splitlines() == frames
    amended = json.loads(told("amend", frames[0], "--target", "M 33", "--json"))
    assert (amended["amended"], amended["moved"]) == (1, 1)
    assert (archive / "M 33/data" / first / "Ha/Hα ü.fits").is_file()
    for bag in ("M 33", "M 51"):
        assert_valid(archive / bag)

    made = json.loads(told("page", "--json"))
    assert (made["page"], made["frames"]) == (r"D:\Archiv ü\nightferry-page\index.html", 2)
    pages = list(pages_of(archive / "nightferry-page"))
    assert len(pages) == made["pages"] == 5
    for page in pages:
        assert "\\" not in page.path.read_text(encoding="utf-8"), page.path
        assert not [link for link in (*page.links, *page.sources) if not page.target_of(link).exists()]
