"""`python -m rowreckon`."""

from rowreckon.cli import main

main()
