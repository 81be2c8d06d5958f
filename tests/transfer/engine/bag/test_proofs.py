"""What lies whole in a bag is proven only once it was read back and is what was written."""

import pytest

from transfer.engine.bag.readback import Compared, Copy, Outcome
from transfer.engine.medium import Evidence, ReadBack

from .conftest import prove

A, B = "data/logs/a", "data/logs/b"


@pytest.fixture
def proofs(bag):
    """Return the proofs of a bag that has just taken two files."""
    opened = bag.begin()
    opened.take([bag.arrival("a", b"first"), bag.arrival("b", b"second one")])
    return opened.proofs


def compared(proofs, path, outcome=Outcome.EQUAL, read_back=ReadBack.MEDIUM):
    (copy,) = [copy for copy in proofs.waiting() if proofs.in_bag(copy) == path]
    return Compared(copy, outcome, Evidence(read_back, f"a test's {read_back.value}"))


def test_what_was_taken_waits_to_be_proven(proofs):
    assert (sorted(proofs.unproven), proofs.unproven_bytes, proofs.proven_count) == ([A, B], 15, 0)
    assert A in proofs
    assert "data/logs/c" not in proofs


def test_what_was_read_back_and_is_equal_is_proven(bag, proofs):
    assert prove(bag.opened) == []
    assert (proofs.proven, proofs.proven_count, proofs.proven_bytes) == ({A, B}, 2, 15)
    assert (proofs.unproven, proofs.unproven_bytes, proofs.found_bad) == ([], 0, set())


def test_a_copy_that_is_not_what_was_written_is_bad_and_stays_unproven(bag, proofs):
    (bag.path / B).write_bytes(b"second ONE")
    assert prove(bag.opened) == [B]
    assert (proofs.proven, proofs.unproven, proofs.found_bad) == ({A}, [B], {B})


def test_a_file_that_is_carried_again_is_neither_bad_nor_proven_until_it_is_read(bag, proofs):
    (bag.path / B).write_bytes(b"second ONE")
    prove(bag.opened)
    bag.opened.take([bag.arrival("b", b"second one")])
    assert (proofs.found_bad, proofs.unproven) == (set(), [B])
    assert prove(bag.opened) == []
    assert proofs.proven == {A, B}


def test_a_proven_file_that_is_replaced_has_to_be_proven_again(bag, proofs):
    prove(bag.opened)
    bag.opened.take([bag.arrival("a", b"first and more", replaces=True)])
    assert (proofs.proven, proofs.unproven) == ({B}, [A])


def test_in_doubt_every_proof_is_taken_back(bag, proofs):
    prove(bag.opened)
    proofs.doubt()
    assert (proofs.proven, sorted(proofs.unproven)) == (set(), [A, B])


def test_one_proof_from_memory_is_enough_to_say_so(proofs):
    assert proofs.record(compared(proofs, A))
    assert proofs.all_from_medium
    assert proofs.record(compared(proofs, B, read_back=ReadBack.PERHAPS_MEMORY))
    assert not proofs.all_from_medium
    assert proofs.methods == {"a test's medium", "a test's perhaps memory"}


@pytest.mark.parametrize("outcome", [Outcome.DIFFERENT, Outcome.UNREADABLE])
def test_whatever_is_not_equal_proves_nothing(proofs, outcome):
    assert not proofs.record(compared(proofs, A, outcome))
    assert (proofs.proven, proofs.found_bad) == (set(), {A})


def test_a_file_that_left_its_place_is_forgotten(bag, proofs):
    (bag.path / B).write_bytes(b"second ONE")
    prove(bag.opened)
    proofs.forget(B)
    assert (B in proofs, proofs.found_bad, proofs.unproven) == (False, set(), [])


def test_a_proof_counts_for_the_line_that_the_file_was_written_with_alone(bag, proofs):
    """After a crash the journal may have two lines for one path; the older one says what is gone."""
    lines = {entry.path: (start, entry) for start, entry in bag.opened.journal.entries()}
    start, entry = lines[A]
    assert proofs.of(entry, start) is None
    proofs.record(compared(proofs, A))
    assert proofs.of(entry, start) is ReadBack.MEDIUM
    assert proofs.of(entry, start + 1) is None
    assert proofs.of(entry.at("data/logs/another"), start) is None


def test_what_waits_is_told_by_where_it_lies_on_the_drive(proofs):
    assert {(copy.path, copy.size_bytes) for copy in proofs.waiting()} == {
        ("2026-03-14/data/logs/a", 5),
        ("2026-03-14/data/logs/b", 10),
    }
    assert proofs.in_bag(Copy("2026-03-14/data/logs/2026-03-14/a", 1, "")) == "data/logs/2026-03-14/a"
