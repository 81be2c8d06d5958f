"""One bag of a drive or an archive while it is written and proven."""
