"""The sample session is what its script makes, and what its scenario says."""

import csv
import fnmatch
import gzip
import hashlib
import json
import re
import shutil
import subprocess
import sys
import tomllib
import zlib
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from astropy import units
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.io import fits
from astropy.time import Time
from astropy.utils import iers
from astropy.utils.exceptions import AstropyUserWarning

SESSION = Path(__file__).parents[1] / "sample_session"
FRAMES = SESSION / "computer" / "Night frames"
HA_BEFORE_DEW = FRAMES / "NGC 4565" / "Hα" / "NGC4565_Hα_1200s_001.fits"
HA_THROUGH_DEW = FRAMES / "NGC 4565" / "Hα" / "NGC4565_Hα_1200s_004.fits"
CUT_SHORT = FRAMES / "NGC 4565" / "O3" / "NGC4565_O3_1200s_004.fits"
BROKEN_HEADER = FRAMES / "Calibration" / "darks" / "dark_600s_001.fits"


def run_script(*arguments):
    command = [sys.executable, "-W", "error", str(SESSION / "make_session.py"), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)


def made_files(folder):
    parts = (folder / "computer", folder / "stick" / "nightferry-drive.toml")
    found = [
        path for part in parts for path in (part.rglob("*") if part.is_dir() else [part]) if path.is_file()
    ]
    return {path.relative_to(folder).as_posix(): path for path in found}


def modified_times(folder):
    return {name: path.stat().st_mtime_ns for name, path in made_files(folder).items()}


def content_digest(path):
    """Return a digest of what the file holds, whatever a library's version makes of its packing."""
    content = path.read_bytes()
    if path.suffix == ".gz":
        content = gzip.decompress(content)
    if path.suffix == ".fz":
        cards = sorted(f"{key}={value!r}" for key, value in fits.getheader(path, 1).items())
        content = "\n".join(cards).encode() + fits.getdata(path, 1).tobytes()
    return hashlib.sha256(content).hexdigest()


def digests(folder):
    return {name: content_digest(path) for name, path in made_files(folder).items()}


def headers():
    """Return the header of every frame that is whole, by its path."""
    paths = [path for path in FRAMES.rglob("*.fits*") if path not in (CUT_SHORT, BROKEN_HEADER)]
    return {path: fits.getheader(path, 1 if path.suffix == ".fz" else 0) for path in sorted(paths)}


def begun(header):
    return datetime.fromisoformat(header["DATE-OBS"]).replace(tzinfo=UTC)


def readings(pattern, delimiter):
    lines = []
    for path in sorted((SESSION / "computer").glob(pattern)):
        lines += list(csv.DictReader(path.read_text("utf-8").splitlines(), delimiter=delimiter))
    return lines


def guiding_rms(rest):
    log = (SESSION / "computer" / "Guiding" / "notes 2026-03-14.txt").read_text()
    found = re.search(rf"^rest {rest}, rms ([0-9.]+) arcsec$", log, re.MULTILINE)
    return float(found[1])


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("made")
    result = run_script("--into", folder)
    assert result.returncode == 0, result.stderr
    return folder


def test_the_script_makes_what_is_committed(made):
    assert digests(made) == digests(SESSION)
    assert (made / "nightferry.toml").read_bytes() == (SESSION / "nightferry.toml").read_bytes()


def test_every_frame_and_log_is_dated_in_the_night(made):
    noon = datetime(2026, 3, 14, 12, tzinfo=UTC).timestamp() * 1e9
    assert all(noon < time < noon + 24 * 3600e9 for time in modified_times(made).values())


def test_a_frame_is_dated_to_the_millisecond_when_it_was_written(made):
    frame = made / "computer" / "Night frames" / "M 51" / "L" / "M 51_L_600s_001.fits"
    written = datetime.fromisoformat(fits.getheader(frame)["DATE-END"]).replace(tzinfo=UTC)
    written += timedelta(seconds=2.75)
    since_1970 = written - datetime(1970, 1, 1, tzinfo=UTC)
    assert frame.stat().st_mtime_ns == since_1970 // timedelta(microseconds=1) * 1000


def test_times_only_restores_the_times_and_the_empty_folder_and_no_content(made, tmp_path):
    for part in ("computer", "stick"):
        shutil.copytree(made / part, tmp_path / part, copy_function=shutil.copyfile)
    log = tmp_path / "computer" / "Mount" / "diary.log"
    log.write_bytes(b"edited by hand")
    (tmp_path / "computer" / "Night frames" / "Trial shots").rmdir()
    assert modified_times(tmp_path) != modified_times(made)

    assert run_script("--times-only", "--into", tmp_path).returncode == 0

    assert modified_times(tmp_path) == modified_times(made)
    assert log.read_bytes() == b"edited by hand"
    assert (tmp_path / "computer" / "Night frames" / "Trial shots").is_dir()


def test_times_only_names_a_file_that_is_missing_and_exits_1(tmp_path):
    result = run_script("--times-only", "--into", tmp_path)
    assert result.returncode == 1
    assert "dark_1200s_001.fits; run again without --times-only" in result.stderr


def test_the_session_stays_small():
    assert sum(path.stat().st_size for path in made_files(SESSION).values()) < 4_000_000


def test_the_configuration_takes_every_file_of_the_computer_exactly_once():
    sources = tomllib.loads((SESSION / "nightferry.toml").read_text("utf-8"))["source"]
    taken = []
    for source in sources:
        folder = SESSION / source["folder"]
        matches = {path for pattern in source["take"] for path in folder.glob(pattern) if path.is_file()}
        assert matches, source["name"]
        taken += [path.relative_to(SESSION).as_posix() for path in matches]
    assert sorted(taken) == sorted(name for name in made_files(SESSION) if name.startswith("computer/"))


def test_the_marked_drive_is_the_one_the_configuration_names():
    drive = tomllib.loads((SESSION / "nightferry.toml").read_text("utf-8"))["drive"][0]
    mark = tomllib.loads((SESSION / drive["folder"] / "nightferry-drive.toml").read_text("utf-8"))
    assert list(mark) == ["id", "name", "prepared"]
    assert mark["name"] == drive["name"]


def test_the_night_has_lights_of_two_targets_in_three_filters_and_their_calibration():
    kinds = [(h["IMAGETYP"], h.get("OBJECT"), h.get("FILTER")) for h in headers().values()]
    counts = {kind: kinds.count(kind) for kind in kinds}
    assert counts == {
        ("LIGHT", "M 51", "L"): 5,
        ("LIGHT", "M 51", "Ha"): 4,
        ("LIGHT", "M 51", "OIII"): 3,
        ("Light Frame", "NGC4565", "Lum"): 6,
        ("Light Frame", "NGC4565", "H-alpha"): 4,
        ("Light Frame", "NGC4565", "O3"): 3,
        ("FLAT", None, "Ha"): 3,
        ("FLAT", None, "OIII"): 3,
        ("FLAT", None, "L"): 3,
        ("DARK", None, None): 5,
        ("BIAS", None, None): 4,
    }


def test_no_exposure_begins_before_the_one_before_it_has_ended():
    spans = sorted((begun(h), begun(h) + timedelta(seconds=h["EXPTIME"])) for h in headers().values())
    assert all(earlier[1] < later[0] for earlier, later in pairwise(spans))
    assert any(start.day == 14 and end.day == 15 for start, end in spans)


def test_checksums_hold_where_a_frame_has_them():
    summed = [path for path, header in headers().items() if "DATASUM" in header]
    assert len(summed) == 16
    for path in summed:
        with fits.open(path, checksum=True) as hdus:  # a warning, and so an error, where one does not hold
            assert hdus[0].data is not None


def test_one_frame_is_cut_short():
    header = fits.Header.fromfile(CUT_SHORT)
    whole = 2 * header["NAXIS1"] * header["NAXIS2"]
    assert 0 < CUT_SHORT.stat().st_size - len(header.tostring()) < whole


def test_one_header_is_rubbish():
    with pytest.warns(AstropyUserWarning), pytest.raises(OSError, match="Header missing END card"):
        fits.Header.fromfile(BROKEN_HEADER)


def test_altitude_and_airmass_in_the_headers_are_those_of_the_sky():
    """Altitudes against astropy's own transformation, without refraction, with the tables it carries."""
    lights = [header for header in headers().values() if "RA" in header]
    place = EarthLocation(lat=51.2 * units.deg, lon=-1.9 * units.deg)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        moments = Time([header["DATE-AVG"] for header in lights], scale="utc")
        positions = SkyCoord([h["RA"] for h in lights], [h["DEC"] for h in lights], unit="deg")
        sky = positions.transform_to(AltAz(obstime=moments, location=place))
    assert np.abs(sky.alt.deg - [header["OBJCTALT"] for header in lights]).max() < 0.02
    assert np.abs(sky.az.deg - [header["OBJCTAZ"] for header in lights]).max() < 0.05
    # A little less than a flat atmosphere's, by under a hundredth as high up as this.
    below_flat = 1 / np.sin(sky.alt.rad) - [header["AIRMASS"] for header in lights]
    assert below_flat.min() > 0
    assert below_flat.max() < 0.01


def test_sexagesimal_and_decimal_positions_agree():
    for header in headers().values():
        if "RA" in header:
            position = SkyCoord(header["OBJCTRA"], header["OBJCTDEC"], unit=("hourangle", "deg"))
            assert position.separation(SkyCoord(header["RA"], header["DEC"], unit="deg")).arcsec < 1.1


def test_the_dew_points_follow_from_temperature_and_humidity():
    """Magnus formula with the constants of WMO-No. 8 (17.62, 243.12), not those that made them."""
    rows = readings("Weather mast/*/mast.csv", ",")
    assert len(rows) == 148
    for row in rows:
        air, humidity = float(row["air °C"]), float(row["humidity %"])
        gamma = np.log(humidity / 100) + 17.62 * air / (243.12 + air)
        assert float(row["dew point °C"]) == pytest.approx(243.12 * gamma / (17.62 - gamma), abs=0.02)


def effective_pixels(path):
    """Return over how many pixels the brightest star spreads: its sum over its peak, darks taken off."""
    darks = [fits.getdata(path) for path in FRAMES.glob("Calibration/darks/dark_1200s_*.fits")]
    image = fits.getdata(path) - np.median(darks, axis=0)
    star = image[4:18, 80:] - np.median(image)
    row, column = np.unravel_index(star.argmax(), star.shape)
    around = star[max(0, row - 3) : row + 4, max(0, column - 3) : column + 4]
    return around.sum() / around.max()


def test_dew_shows_in_the_stars_the_guiding_the_weather_and_the_power():
    assert effective_pixels(HA_THROUGH_DEW) > 1.8 * effective_pixels(HA_BEFORE_DEW)
    assert guiding_rms("02:50:39") > 2.5 * guiding_rms("01:49:48")
    spread = {
        row["time (UTC)"]: float(row["air °C"]) - float(row["dew point °C"])
        for row in readings("Weather mast/*/mast.csv", ",")
    }
    assert min(spread, key=spread.get).startswith("2026-03-15 02:4")
    heater = {
        row["utc"]: float(row["heater_A"]) for row in readings("Supply readings/2026-03-15/readings.csv", ";")
    }
    assert heater["02:54:00"] > 4 * heater["02:50:00"]


def test_focus_follows_the_temperature_into_the_headers():
    runs = [json.loads(path.read_text()) for path in sorted(SESSION.glob("computer/Focus runs/*/*.json"))]
    assert len(runs) == 6
    temperatures = [run["tube_temperature_c"] for run in runs]
    assert temperatures[0] - temperatures[-1] > 2
    used = {h["FOCUSPOS"] for h in headers().values() if "RA" in h}
    assert used == {run["chosen"]["step"] for run in runs}


def test_the_guiding_log_ends_within_a_line():
    log = (SESSION / "computer" / "Guiding" / "notes 2026-03-14.txt").read_text()
    last, before = log.splitlines()[-1], log.splitlines()[-2]
    assert not log.endswith("\n")
    assert 0 < len(last) < len(before)


def test_the_darks_share_their_hot_pixels():
    darks = [fits.getdata(path) for path in FRAMES.glob("Calibration/darks/dark_1200s_*.fits")]
    hot = [set(np.flatnonzero(dark > 2000)) for dark in darks]
    assert len(hot[0]) > 20
    assert all(len(hot[0] & other) > 0.9 * len(hot[0] | other) for other in hot[1:])


def test_the_pictures_are_whole_png_files():
    pictures = sorted(SESSION.glob("computer/Supply readings/*/*.png"))
    assert len(pictures) == 14
    for path in pictures:
        content = path.read_bytes()
        at = content.index(b"IDAT")
        length = int.from_bytes(content[at - 4 : at], "big")
        assert zlib.crc32(content[at : at + 4 + length]) == int.from_bytes(
            content[at + 4 + length :][:4], "big"
        )
        assert len(zlib.decompress(content[at + 4 : at + 4 + length])) == 112 * 113


def test_names_have_the_nuisances_of_real_ones():
    names = list(made_files(SESSION))
    for pattern in ("* *", "*'*", "*α*", "*/*/*/*/*", "*.fits.gz", "*.fits.fz"):
        assert fnmatch.filter(names, pattern), pattern
