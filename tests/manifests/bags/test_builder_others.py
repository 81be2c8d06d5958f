"""The digests that bags of other people hold against their files."""

import hashlib

from manifests.bags.algorithms import algorithm_named
from manifests.bags.builder import ContentBuilder, Wanted


def test_a_file_is_digested_by_every_algorithm_that_is_asked_for_and_as_long_as_asked():
    md5, shake = algorithm_named("md5"), algorithm_named("shake256")
    assert md5 is not None
    assert shake is not None
    wanted = [Wanted(md5, 16), Wanted(shake, 24), Wanted(shake, 40)]
    builder = ContentBuilder("light.fits", others=wanted)
    for block in (b"ab", b"c"):
        builder.feed(block)
    content = builder.finish()
    # RFC 1321, appendix A.5: the MD5 of "abc".
    assert content.others[wanted[0]].hex() == "900150983cd24fb0d6963f7d28e17f72"
    assert content.others[wanted[1]] == hashlib.shake_256(b"abc").digest(24)
    assert content.others[wanted[2]] == hashlib.shake_256(b"abc").digest(40)
    assert content.digests.sha256 == hashlib.sha256(b"abc").hexdigest()
