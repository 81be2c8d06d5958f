"""A bag as RFC 8493 defines it: found, read and written, in one place to import from."""

from manifests.bags.bag_finding import enclosing_bag, find_bags
from manifests.bags.bag_reading import NotABag, is_bag, payload_oxum, read_bag
from manifests.bags.bag_writing import BagWriter
from manifests.bags.declared import Bag, Malformed, Manifest, Oxum
from manifests.bags.paths import (
    BAG_INFO,
    BAGIT_TXT,
    ENTRIES,
    FETCH,
    INCOMING,
    JOURNAL,
    MANIFEST,
    OWN,
    PAYLOAD,
    PAYLOAD_XXH128,
    SET_ASIDE,
    TAG_MANIFEST,
)

__all__ = [
    "BAGIT_TXT",
    "BAG_INFO",
    "ENTRIES",
    "FETCH",
    "INCOMING",
    "JOURNAL",
    "MANIFEST",
    "OWN",
    "PAYLOAD",
    "PAYLOAD_XXH128",
    "SET_ASIDE",
    "TAG_MANIFEST",
    "Bag",
    "BagWriter",
    "Malformed",
    "Manifest",
    "NotABag",
    "Oxum",
    "enclosing_bag",
    "find_bags",
    "is_bag",
    "payload_oxum",
    "read_bag",
]
