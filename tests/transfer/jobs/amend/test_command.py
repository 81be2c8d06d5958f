"""The command `amend`, as a person or a script meets it."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.support.desks import Desk
from tests.support.nights import run
from tests.transfer.jobs.amend.test_amend import M51, M101, places
from transfer.cli.main import main


def test_frames_are_chosen_by_options_and_each_folder_is_one_line(filed: Desk):
    said = ["--target", "m101", "--because", "the mount was lost"]
    ran = filed.command(
        "amend", "--of-target", "m51", "--of-type", "light", "--of-night", "2026-03-14", *said
    )
    assert ran.exit == 0, ran.err
    assert ran.out.splitlines()[1:] == [
        f"  3 from {M51} to {M101}",
        "Folders that gather laid out before keep what they have: gather again.",
    ]
    listed = filed.command("frames", "--finding", "amended", "--json").document
    assert {frame["target"] for frame in listed["frames"]} == {"M 101"}
    assert "the mount was lost" in str(listed["frames"][0]["findings"])


def test_a_frame_is_named_by_its_path_as_lists_show_it(filed: Desk):
    ran = filed.command("amend", f"{M51}/light_1.fits", "--use", "no", "--because", "trailed")
    assert (ran.exit, ran.out.splitlines()[0]) == (0, "1 frame amended.")
    shown = filed.command("targets")
    assert "not in use" in shown.out.splitlines()[0]
    table = filed.command("frames", "--type", "light", environ={"COLUMNS": "200"})
    assert table.out.count("not in use") == 1
    assert "(not in use)" in filed.command("nights").out


def test_json_says_what_became_of_each_frame(filed: Desk):
    ran = filed.command("amend", filed.archive / M51, "--filter", "OIII", "--dry-run", "--json")
    document = ran.document
    assert (document["command"], document["exit"], document["dry_run"]) == ("amend", 0, True)
    assert (document["amended"], document["moved"]) == (3, 3)
    first = document["frames"][0]
    assert first["state"] == "would be amended"
    assert (first["filter"], first["to"]) == ("OIII", "M 51/data/2026-03-14/OIII/light_1.fits")


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ([M51], "Nothing is said"),
        ([M51, "--because", "no reason"], "Nothing is said"),
        (["--target", "M 33"], "No frame is named"),
        ([M51, "--of-target", "M 51", "--target", "M 33"], "chosen in one way"),
        (["--all", "--target", "M 33"], "--all goes with --as-headers-say"),
        ([M51, "--as-headers-say", "--use", "no"], "go with no correction"),
        (["--of-target", "M 51", "--gone"], "said of paths"),
        (["--of-target", "M 99", "--target", "M 33"], "No frame of the archive is meant"),
        ([M51, "--type", "marvellous"], "is no type"),
    ],
)
def test_what_makes_no_sense_is_refused_with_exit_code_2(filed: Desk, words: list[str], why: str):
    before = filed.fingerprint()
    config = ["--config", str(filed.settings)]
    ran = CliRunner().invoke(main, ["amend", *words, *config])
    assert ran.exit_code == 2
    assert why in ran.stderr
    assert filed.fingerprint() == before


def test_all_frames_but_the_amended_go_where_todays_rules_put_them(filed: Desk):
    filed.command("amend", f"{M51}/light_1.fits", "--target", "M 101")
    filed.more = "[filters]\n'narrow red' = ['Ha']\n"
    filed.configure()
    assert filed.command("amend", "--all", "--as-headers-say").exit == 0
    assert [path for path in places(filed) if path.startswith("M ")] == [
        f"{M101}/light_1.fits",
        "M 51/data/2026-03-14/narrow red/light_2.fits",
        "M 51/data/2026-03-14/narrow red/light_3.fits",
    ]


def test_without_a_configuration_the_archive_is_named(filed: Desk, tmp_path: Path):
    nowhere = {"HOME": str(tmp_path / "nobody"), "XDG_CONFIG_HOME": str(tmp_path / "nothing")}
    words = ["amend", filed.archive / M51, "--archive", filed.archive, "--target", "M 33"]
    assert run(*words, environ=nowhere, cwd=tmp_path).exit == 0
    assert f"M 33/{M51.partition('/')[2]}/light_1.fits" in places(filed)
