"""The end-of-night job, and what `plan` shows of it beforehand."""
