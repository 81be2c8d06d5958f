"""The night's logs, six kinds in six formats of their own, told from the same plan and conditions."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from datetime import datetime, timedelta

import numpy as np
from conditions import (
    altitude_azimuth_deg,
    ambient_deg_c,
    best_focus,
    cloud,
    dew,
    dew_point_deg_c,
    guiding_rms_arcsec,
    humidity_percent,
    pier_side,
    pointing,
    star_size_px,
    tube_deg_c,
    wind_m_s,
)
from pixels import seeded
from plan import (
    CABLE_FAULT,
    CLOUD_PAUSE,
    CUT_SHORT,
    DEW_HEATER_UP,
    FLIP,
    M51,
    NGC4565,
    NIGHT_ENDS,
    OBSERVER,
    PARKED,
    ROOF_OPENS,
    SITE,
    SLEW_TO_M51,
    SLEW_TO_NGC4565,
    Exposure,
    FocusRun,
    Target,
    at,
    exposures,
    lights,
)

GUIDE_EVERY_S = 8


def clock(moment: datetime) -> str:
    """Return a moment's clock reading, HH:MM:SS."""
    return f"{moment:%H:%M:%S}"


def every(first: datetime, last: datetime, step_s: int) -> Iterator[datetime]:
    """Return the moments from first to last, a step apart."""
    steps = int((last - first).total_seconds()) // step_s
    return (first + timedelta(seconds=step_s * step) for step in range(steps + 1))


def altitude_deg(exposure: Exposure) -> float:
    """Return a light's altitude at the middle of its exposure."""
    assert exposure.target
    return altitude_azimuth_deg(*pointing(exposure.target, exposure.offset_arcsec), exposure.middle)[0]


# Guiding: one text file, still growing when the night is sent.


def guide_errors(light: Exposure, index: int) -> list[tuple[datetime, float, float]]:
    """Return the guide star's error in arcseconds, east and north, every few seconds of a light."""
    moments = list(every(light.begun, light.ended, GUIDE_EVERY_S))
    noise = seeded(200, index).standard_normal((len(moments), 2))
    drift = np.zeros(2)
    errors = []
    for moment, kick in zip(moments, noise, strict=True):
        drift = 0.45 * drift + math.sqrt(1 - 0.45**2) * kick
        east, north = drift * guiding_rms_arcsec(moment) / math.sqrt(2)
        errors.append((moment, round(float(east), 2), round(float(north), 2)))
    return errors


def measured_rms_arcsec(light: Exposure, index: int) -> float:
    """Return the root mean square of a light's guiding errors, both axes together."""
    errors = guide_errors(light, index)
    return math.sqrt(sum(east**2 + north**2 for _, east, north in errors) / len(errors))


def nudge(error_arcsec: float, words: str) -> str:
    """Return the correction for an error: which way and for how many milliseconds."""
    length_ms = 0 if abs(error_arcsec) < 0.15 else round(abs(error_arcsec) * 64)
    return f"{words[error_arcsec < 0] if length_ms else '-'}{length_ms:<4d}"


def guiding_of(light: Exposure, index: int) -> Iterator[str]:
    """Return the guiding log's lines for one light."""
    assert light.target
    yield f"follow star near {light.target.folder}, tube {pier_side(light.begun).lower()} of the pier"
    for moment, east, north in guide_errors(light, index):
        clear = (1 - 0.8 * cloud(moment)) * (1 - 0.6 * dew(moment))
        flux = 18400 * clear * (1 + 0.02 * math.sin(moment.second))
        moves = f"{nudge(east, 'WE')} {nudge(north, 'SN')}"
        yield f"  {clock(moment)}  e{east:+6.2f} n{north:+6.2f}  {moves}  flux {flux:6.0f}"
    yield f"rest {clock(light.ended)}, rms {measured_rms_arcsec(light, index):.2f} arcsec"


def guiding_log() -> bytes:
    """Return the guiding log: its program was writing when the cable failed, so it ends within a line."""
    lines = [
        f"PIER GUIDE NOTES / {SITE} / evening of 2026-03-14 / clock UTC / errors in arcsec, nudges in ms"
    ]
    for index, light in enumerate(lights()):
        lines += guiding_of(light, index)
    return "\n".join(lines[:-1])[:-9].encode()


# Focusing: a JSON file for each run.


def focus_json(run: FocusRun) -> bytes:
    """Return a focusing run: star sizes at nine positions, the best one and the tube's temperature."""
    best, target = best_focus(run.begun, run.filter_name), NGC4565 if run.begun >= SLEW_TO_NGC4565 else M51
    sharp = star_size_px(run.begun, altitude_azimuth_deg(target.ra_deg, target.dec_deg, run.begun)[0])
    noise = seeded(300, run.number).standard_normal(9)
    curve = [
        {
            "step": best + 7 + 60 * place,
            "star_px": round(math.hypot(sharp, 0.011 * (60 * place + 7)) + 0.04 * float(kick), 2),
        }
        for place, kick in zip(range(-4, 5), noise, strict=True)
    ]
    told = {
        "focus_run": run.number,
        "began_utc": run.begun.isoformat(timespec="seconds").replace("+00:00", "Z"),
        "why": run.reason,
        "filter": run.filter_name,
        "tube_temperature_c": round(tube_deg_c(run.begun), 1),
        "curve": curve,
        "chosen": {"step": best, "star_px": round(sharp, 2)},
    }
    return (json.dumps(told, indent=2) + "\n").encode()


# Power and weather: CSV readings, a file for each calendar day.


def camera_amp(moment: datetime) -> float:
    """Return the camera's current: its cooler works less as the air cools."""
    return 1.15 + 0.11 * (ambient_deg_c(moment) - 1) if moment < NIGHT_ENDS - timedelta(minutes=4) else 0.32


def heater_amp(moment: datetime) -> float:
    """Return the dew heater's current: low until it is turned up, too late, at 02:52."""
    return 1.62 if DEW_HEATER_UP <= moment < PARKED else 0.35


def power_csv(first: datetime, last: datetime) -> bytes:
    """Return the supply's readings, one every two minutes; a semicolon between fields."""
    rows = ["utc;supply_V;supply_A;camera_A;mount_A;heater_A"]
    for moment in every(first, last, 120):
        camera, heater = camera_amp(moment), heater_amp(moment)
        mount = 0.58 + 0.04 * math.sin(moment.minute) if SLEW_TO_M51 <= moment < PARKED else 0.21
        supply = camera + heater + mount + 1.47
        rows.append(
            f"{clock(moment)};{13.42 - 0.09 * supply:.2f};{supply:.2f};{camera:.2f};{mount:.2f};{heater:.2f}"
        )
    return ("\n".join(rows) + "\n").encode()


def weather_csv(first: datetime, last: datetime) -> bytes:
    """Return the weather mast's readings, one every five minutes."""
    rows = ["time (UTC),air °C,humidity %,dew point °C,wind m/s,sky minus air °C"]
    for moment in every(first, last, 300):
        air, humid = round(ambient_deg_c(moment), 1), round(humidity_percent(moment), 1)
        dew_point = dew_point_deg_c(air, humid)
        sky = -21.5 + 17 * cloud(moment)
        rows.append(
            f"{moment:%Y-%m-%d %H:%M},{air:.1f},{humid:.1f},{dew_point:.2f},{wind_m_s(moment):.1f},{sky:.1f}"
        )
    return ("\n".join(rows) + "\n").encode()


# The sequencer's and the mount's plain logs.


Line = tuple[datetime, str]


def sequencer_exposures() -> Iterator[Line]:
    """Return the sequencer's lines for each exposure: opened, then kept or lost."""
    index = {light.path: number for number, light in enumerate(lights())}
    for exposure in exposures():
        through = f" through {exposure.filter_name}" if exposure.filter_name else ""
        yield exposure.begun, f"> {exposure.name}: {exposure.exposure_s:g} s{through}"
        if exposure.path == CUT_SHORT:
            yield (
                exposure.written + timedelta(seconds=3),
                f"! {exposure.name}: storing failed part way, left as it is",
            )
        elif exposure.target:
            size = star_size_px(exposure.middle, altitude_deg(exposure))
            rms = measured_rms_arcsec(exposure, index[exposure.path])
            told = f"stars {size:.2f} px, guiding {rms:.2f} arcsec, altitude {altitude_deg(exposure):.1f} deg"
            yield exposure.written, f"< kept; {told}"
        else:
            yield exposure.written, "< kept"


def sequencer_events() -> Iterator[Line]:
    """Return the sequencer's lines for what happens between exposures."""
    yield ROOF_OPENS, "~ roof open; camera asked for -10.0 C"
    yield CLOUD_PAUSE[0], "! guide star faint, sky camera sees cloud: waiting"
    yield CLOUD_PAUSE[1], "~ sky clear again: going on"
    yield FLIP, "~ NGC 4565 crosses the meridian: changing sides"
    yield at("02:40:11"), "! stars are growing: 3.5 px where 1.8 px was usual"
    yield DEW_HEATER_UP, "~ air within 0.4 C of its dew point: heater turned up, waiting"
    yield CABLE_FAULT, "! camera: cable fault, reconnected"
    yield PARKED, "~ parked, roof shut, front covered"
    yield NIGHT_ENDS, "~ cooler off; end of the night"


def sequencer_log(focus: list[FocusRun]) -> bytes:
    """Return the sequencer's log."""
    lines = [*sequencer_exposures(), *sequencer_events()]
    for run in focus:
        best = best_focus(run.begun, run.filter_name)
        told = f"~ focus run {run.number} for {run.filter_name} ({run.reason}): step {best}"
        lines.append((run.begun + timedelta(seconds=215), told))
    top = f"== {SITE}, evening of 2026-03-14, clock UTC; written for {OBSERVER}"
    told_lines = [f"{clock(moment)} {text}" for moment, text in sorted(lines)]
    return ("\n".join([top, *told_lines]) + "\n").encode()


def slew(moment: datetime, target: Target) -> Line:
    """Return the mount's line for a slew."""
    return moment, f"go to {target.ra_deg:.4f} {target.dec_deg:+.4f}, there after 38 s, off by 11 arcsec"


def mount_positions() -> Iterator[Line]:
    """Return the mount's lines on where it points, every quarter of an hour."""
    for moment in every(at("20:00:00"), at("04:30:00"), 900):
        target = NGC4565 if moment >= SLEW_TO_NGC4565 else M51
        altitude, azimuth = altitude_azimuth_deg(target.ra_deg, target.dec_deg, moment)
        yield (
            moment,
            f"follow, altitude {altitude:.1f}, azimuth {azimuth:.1f}, tube {pier_side(moment).lower()}",
        )


def mount_log() -> bytes:
    """Return the mount's log; its program ends lines as some computers do, with CR and LF."""
    lines = [
        (at("18:11:48"), "awake, at its park position"),
        slew(SLEW_TO_M51, M51),
        slew(SLEW_TO_NGC4565, NGC4565),
        (FLIP, "meridian: tube west to east, there after 71 s, off by 19 arcsec"),
        (PARKED, "park"),
        *mount_positions(),
    ]
    told = [f"[{moment:%d %b %H:%M:%S}] {text}" for moment, text in sorted(lines)]
    return "".join(f"{line}\r\n" for line in [f"mount diary of {SITE}, UTC, degrees", *told]).encode()
