"""`python -m transfer` is `nightferry`."""

from transfer.cli.main import main

main()
