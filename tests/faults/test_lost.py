"""What excuses a program is held against what does not: a rule too mild would hide a missing flush."""

from __future__ import annotations

from pathlib import Path

from tests.faults.claims import Excuse, Found, MarkClaims, Proven, Wrong
from tests.faults.lost import blamed_on_program

OLD, NEW, OTHER = "0" * 64, "1" * 64, "2" * 64


def _listed_as(sha256):
    return Found({}, (Wrong("night/data/a.fits", sha256, "is not what it is listed as"),))


def test_a_file_that_stood_still_at_both_flushes_was_lost_by_the_file_system():
    there = Found({"night/data/a.fits": OLD})
    assert not blamed_on_program(_listed_as(OLD), there, there)


def test_a_file_that_was_listed_before_its_name_was_flushed_is_the_programs_doing():
    assert blamed_on_program(_listed_as(NEW), Found({"night/1.part": NEW}), Found({"night/data/a.fits": NEW}))


def test_a_file_that_was_replaced_while_it_was_listed_is_the_programs_doing():
    before, after = Found({"night/data/a.fits": OLD}), Found({"night/data/a.fits": NEW})
    assert blamed_on_program(_listed_as(OLD), before, after)


def test_what_does_not_hold_at_the_flushes_themselves_is_the_programs_doing():
    there = {"night/data/a.fits": OLD}
    bad = Found(there, (Wrong("night/data/b.fits", OTHER, "is not there"),))
    assert blamed_on_program(_listed_as(OLD), bad, Found(there))
    assert blamed_on_program(_listed_as(OLD), Found(there), bad)


def test_a_name_given_to_content_that_was_not_flushed_is_the_programs_doing():
    torn = Found({}, (Wrong("night/data/a.fits", "", "is not whole", Excuse.CAME_WHOLE),))
    after = Found({"night/data/a.fits": NEW})
    assert blamed_on_program(torn, Found({}), after)
    assert not blamed_on_program(torn, Found({"night/1.part": NEW}), after)


def test_what_only_the_tools_found_is_never_excused():
    told = Found({}, (Wrong("", "", "the receipt says that the drive may be pulled", Excuse.NONE),))
    assert blamed_on_program(told, Found({}), Found({}))


def test_a_verdict_that_is_gone_or_half_there_is_found():
    claims = MarkClaims(Proven({}, {}), set(), "nights/said", (OLD, NEW))
    wrong = {sha256: list(claims.more_wrong(Path(), {"nights/said": sha256})) for sha256 in (OLD, NEW, OTHER)}
    assert [bool(each) for each in wrong.values()] == [False, False, True]
    assert list(claims.more_wrong(Path(), {})), "what was said before is gone"
    assert list(claims.missing_at_the_end({"nights/said": OLD}))
    assert not list(claims.missing_at_the_end({"nights/said": NEW}))
    first = MarkClaims(Proven({}, {}), set(), "nights/said", ("", NEW))
    assert not list(first.more_wrong(Path(), {}))
