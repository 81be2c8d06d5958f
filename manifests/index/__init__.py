"""The archive's index: what its bags say, in one SQLite file that answers questions fast."""
