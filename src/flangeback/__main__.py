"""`python -m flangeback`."""

from flangeback.cli import main

main()
