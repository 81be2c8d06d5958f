"""`python -m transfer` is `nightferry`."""

from transfer.start import main

main()
