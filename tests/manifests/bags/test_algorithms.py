import hashlib

import pytest

from manifests.bags.algorithms import algorithm_named


@pytest.mark.parametrize(
    ("spelled", "name"),
    [
        ("md5", "md5"),
        ("sha256", "sha256"),
        ("SHA-512", "sha512"),
        ("sha3256", "sha3_256"),
        ("sha3_256", "sha3_256"),
        ("blake2b", "blake2b"),
    ],
)
def test_an_algorithm_is_known_by_each_of_its_spellings(spelled: str, name: str) -> None:
    algorithm = algorithm_named(spelled)
    assert algorithm is not None
    assert algorithm.name == name
    assert algorithm.size_bytes == hashlib.new(name).digest_size


def test_everything_that_hashlib_guarantees_is_known() -> None:
    assert all(algorithm_named(name) for name in hashlib.algorithms_guaranteed)


def test_an_algorithm_nobody_has_is_none() -> None:
    assert algorithm_named("xyz999") is None


def test_a_digest_of_any_length_is_made_as_long_as_the_listed_one() -> None:
    shake = algorithm_named("shake128")
    assert shake is not None
    state = shake.new()
    state.update(b"abc")
    wanted = hashlib.shake_128(b"abc").digest(40)
    assert shake.takes(wanted)
    assert shake.finish(state, wanted) == wanted
    assert not shake.takes(b"x")  # one byte of digest is no proof


def test_a_digest_of_another_algorithms_length_is_not_taken() -> None:
    sha1 = algorithm_named("sha1")
    assert sha1 is not None
    assert sha1.takes(bytes(20))
    assert not sha1.takes(bytes(32))


def test_an_algorithm_that_this_computer_s_library_has_switched_off_is_none(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A library under a rule of its own lists MD5 and refuses to make it."""

    def refuse(name: str, **_: object) -> None:
        raise ValueError(f"unsupported hash type {name}")

    monkeypatch.setattr(hashlib, "new", refuse)
    assert algorithm_named("md5") is None
